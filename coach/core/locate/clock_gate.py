"""Order in time: which frames the core accepts, and how it handles clock jumps.

One rule: a frame is accepted if its time lies in (last, last + GAP_S]. Any other frame is held until the next one
follows it closely (the clock jumped: a restart, a pause) or does not (an outlier). Late and duplicate frames are
dropped.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from operator import gt
from typing import Final

import numpy as np

from coach.core.columns import Columns, Floats
from coach.core.numeric.reductions import largest, least
from feeds.frame import CHANNELS

GAP_S: Final = 2.0
"""Longest clock step accepted without a confirming second frame [s]."""
LATE_S: Final = 1.0
"""A frame at most this much older is late (reordering); an older one may be a restart [s]."""


MAX_PLAUSIBLE: Final = {
    "t_s": 1e10, "x_m": 1e7, "y_m": 1e7, "z_m": 1e5, "lap_distance_m": 1e6, "lap_fraction": 10.0, "lap": 1e6,
    "speed_mps": 200.0, "throttle": 2.0, "brake": 2.0, "steer": 100.0, "gear": 50.0, "wheels_off": 50.0,
    "in_pit": 1.0, "traction_control": 1.0, "anti_lock": 1.0,
}  # fmt: skip
"""Largest plausible magnitude of each channel."""
_MAX_PLAUSIBLE = np.array([[MAX_PLAUSIBLE[name]] for name in CHANNELS])
_LARGEST: Final = [MAX_PLAUSIBLE[name] for name in CHANNELS]
_T: Final = CHANNELS.index("t_s")


def _beyond(row: Floats, most: float) -> bool:
    """Return whether a value of a channel, shape (n,), exceeds ``most`` in magnitude."""
    top = largest(row)
    if top != top:
        # NaN hides the other values
        return bool(np.count_nonzero(np.abs(row) > most))
    return top > most or least(row) < -most


@dataclass
class ClockGate:
    """Sorts frames by their clock; ``counts`` holds dropped frames by kind."""

    last_t_s: float = float("-inf")
    counts: Counter[str] = field(default_factory=Counter)
    _held: Columns | None = None

    def take(self, chunk: Columns) -> list[tuple[Columns, str]]:
        """Return the runs of frames in order, each with the event before it: "" (continues), "gap" or "restart"."""
        if not len(chunk):
            return []
        chunk = self._possible(chunk)
        t = chunk["t_s"]
        if self._held is None and 0.0 < t[0] - self.last_t_s <= GAP_S:
            steps = t[1:] - t[:-1]
            if not len(steps) or (least(steps) > 0.0 and largest(steps) <= GAP_S):
                self.last_t_s = float(t[-1])
                return [(chunk, "")]
        return self._one_by_one(chunk)

    def try_fast_path(self, row: list[float]) -> bool:
        """Accept the next frame (one value per channel) if it simply follows, as most do.

        Otherwise return false without any change: ``take`` handles it.
        """
        now = row[_T]
        if self._held is not None or not self.last_t_s < now <= self.last_t_s + GAP_S:
            return False
        if any(map(gt, map(abs, row), _LARGEST)):
            return False
        self.last_t_s = now
        return True

    def _possible(self, chunk: Columns) -> Columns:
        """Return the columns with implausible values set to absent."""
        if not any(map(_beyond, chunk.data, _LARGEST)):
            return chunk
        beyond = np.abs(chunk.data) > _MAX_PLAUSIBLE
        self.counts["impossible_value"] += int(beyond.sum())
        return Columns(np.where(beyond, np.nan, chunk.data))

    def _one_by_one(self, chunk: Columns) -> list[tuple[Columns, str]]:
        runs: list[tuple[Columns, str]] = []
        start, why = 0, ""

        def close(stop: int) -> None:
            if stop > start:
                runs.append((chunk.part(start, stop), why))

        for i, t in enumerate(chunk["t_s"].tolist()):
            verdict = self._judge(t) if t == t and abs(t) != float("inf") else "no_time"
            if verdict == "take":
                self._drop_held()
                self.last_t_s = t
                continue
            close(i)
            start, why = i + 1, ""
            if verdict == "hold":
                self._drop_held()
                self._held = chunk.part(i, i + 1)
            elif verdict in ("gap", "restart"):
                assert self._held is not None
                runs.append((self._held, verdict))
                self._held = None
                self.counts[verdict] += 1
                self.last_t_s = t
                start = i
            else:
                self.counts[verdict] += 1
        close(len(chunk))
        return runs

    def _judge(self, t: float) -> str:
        if self._held is not None:
            held_t = float(self._held["t_s"][0])
            if held_t < t <= held_t + GAP_S and not self.last_t_s < t <= self.last_t_s + GAP_S:
                return "restart" if held_t < self.last_t_s else "gap"
        if self.last_t_s == float("-inf") or self.last_t_s < t <= self.last_t_s + GAP_S:
            return "take"
        if t == self.last_t_s:
            return "doubled"
        if self.last_t_s - LATE_S < t < self.last_t_s:
            return "late"
        return "hold"

    def _drop_held(self) -> None:
        if self._held is not None:
            self.counts["stray_time"] += 1
            self._held = None
