"""Reports when data arrives, what is wrong with it and how to fix it, and recovery; pure: time is an argument.

One line at most 3 s after a problem begins, and one when it ends.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from coach.outputs.base import Notice
from feeds.frame import Frame

LOOK_S: Final = 0.5
"""Interval between checks [s]."""
SILENT_S: Final = 2.0
"""Silence before a report [s]."""
WINDOW_S: Final = 2.0
"""Window over which rejected data are counted [s]."""
BAD_SHARE: Final = 0.2
"""Share of rejected data that is a problem; less is a bad link, reported at the end of the run."""
FEWEST: Final = 3
SLOW_HZ: Final = 8.0
"""Slowest rate without a warning: receivers for cars send 10 Hz and more (common practice, no source)."""
OVER_S: Final = 2.0
"""Problem-free time after which a problem is over [s]."""
RATE_FRAMES: Final = 8
ROOT: Final = "root"
"""Key of a diagnostic that explains all others."""
NOT_TROUBLE: Final = frozenset(
    {"received", "frames", "lost", "sender_changed", "teleport", "clock_back", "clock_forward", "lap_changed"}
)
DEGRADING: Final = frozenset({"field_refused", "pedal_refused", "speed_refused", "position_refused"})
"""Counted per field: the frame is used without it."""
MISSABLE: Final = ("speed_mps", "throttle", "brake", "steer", "gear", "lap", "wheels_off", "in_pit")


class Watched(Protocol):
    """The part of a feed that the watch uses."""

    @property
    def where(self) -> str:
        """Status text before the first frame."""

    @property
    def sender(self) -> str:
        """The sender of the last data."""

    @property
    def counters(self) -> Mapping[str, int]:
        """Counts by kind."""

    @property
    def live(self) -> bool:
        """Whether the source cannot wait."""

    def remedy(self, kind: str) -> str:
        """Return the field and fix for a kind."""

    def diagnostics(self) -> list[tuple[str, str]]:
        """Return the diagnostics of accepted data."""


@dataclass
class _Trouble:
    line: str
    began_s: float
    seen_s: float
    first: bool = False
    """Silence before the first packet."""


class FeedWatch:
    """Watches one feed; ``status`` is the overlay's line, "" if all is well.

    ``say`` gets each line once. A feed at hand (a replay, the practice car) has no ``where`` and is not watched.
    """

    def __init__(self, feed: Watched, say: Notice, now_s: float) -> None:
        self._feed, self._say = feed, say
        self._began_s = self._data_s = now_s
        self._next_s = now_s + LOOK_S
        self._troubles: dict[str, _Trouble] = {}
        self._suspects: set[str] = set()
        self._past: deque[tuple[float, dict[str, int]]] = deque([(now_s, {})])
        self._steps: deque[float] = deque(maxlen=2 * RATE_FRAMES - 2)
        self._last_t = float("nan")
        self._frames = 0
        self._received = 0
        self._given: set[str] = set()
        self._told_rate = False
        self.status = ""
        if feed.where:
            say(feed.where)

    def look(self, frames: Sequence[Frame], now_s: float) -> str:
        """Process received frames (often none) at ``now_s`` on a monotonic clock [s]; return the status line."""
        if not self._feed.where:
            return ""
        if frames:
            self._take(frames)
        if not self._feed.live:
            # a file has its own clock and may play at any pace
            if self._last_t != self._last_t:
                return ""
            if not self._received:
                self._next_s = frames[0].t_s + LOOK_S
                self._past = deque([(frames[0].t_s, {})])
                self._received = 1
            now_s = self._last_t
        received = self._feed.counters.get("received", 0)
        if received != self._received or frames:
            if not self._received and self._feed.live:
                by = f" from {self._feed.sender}" if self._feed.sender else ""
                self._say(f"first {'packet' if by else 'data'}{by} after {now_s - self._began_s:.1f} s")
            self._received, self._data_s = max(received, 1), now_s
        if now_s >= self._next_s:
            self._next_s = now_s + LOOK_S
            self._look(now_s)
        return self.status

    def _take(self, frames: Sequence[Frame]) -> None:
        self._frames += len(frames)
        for frame in frames[-RATE_FRAMES:]:
            step = frame.t_s - self._last_t
            if step > 0.0:
                self._steps.append(step)
            self._last_t = frame.t_s
            if self._told_rate:
                continue
            self._given.update(n for n in MISSABLE if (v := getattr(frame, n)) is not None and v == v)

    @property
    def rate_hz(self) -> float:
        """Frames per second of session time; NaN until enough arrive."""
        return 1.0 / float(np.median(self._steps)) if len(self._steps) >= RATE_FRAMES else float("nan")

    def _look(self, now_s: float) -> None:
        self._past.append((now_s, dict(self._feed.counters)))
        while len(self._past) > 2 and now_s - self._past[1][0] >= WINDOW_S:
            self._past.popleft()
        if not self._told_rate and self._frames >= 3 * RATE_FRAMES and self.rate_hz == self.rate_hz:
            self._told_rate = True
            lacking = [name for name in MISSABLE if name not in self._given]
            self._say(f"{self.rate_hz:.0f} frames a second" + (f"; missing: {', '.join(lacking)}" if lacking else ""))
        found = dict(self._found(now_s))
        for key, line in found.items():
            if key in self._troubles:
                self._troubles[key].seen_s = now_s
            elif any(_field(t.line) == _field(line) for t in self._troubles.values()):
                continue  # the field already has a problem: report it once
            elif key == "silent" or key in self._suspects:
                # seen twice: a few packets may fit several causes, a second check decides
                self._troubles[key] = _Trouble(line, now_s, now_s, not self._received)
                self._say(line)
        self._suspects = set(found)
        for key, trouble in list(self._troubles.items()):
            if now_s - trouble.seen_s >= (LOOK_S if key == "silent" else OVER_S):
                del self._troubles[key]
                if trouble.first:
                    continue  # the line about the first packet reports it
                name = "data again" if key == "silent" else f"over: {trouble.line.split(';')[0].split(', expected')[0]}"
                self._say(f"{name} ({now_s - trouble.began_s:.0f} s)")
        self.status = next((t.line for t in self._troubles.values()), "")

    def _found(self, now_s: float) -> Iterator[tuple[str, str]]:
        """Yield the current problems, the most severe first."""
        silent_s = now_s - self._data_s
        if self._feed.live and silent_s >= SILENT_S:
            if not self._received:
                where = self._feed.where
                listens = where.startswith("listening")
                check = (
                    "the sender on, and does it send to this address" if listens else "the receiver on and connected"
                )
                yield "silent", f"no data, {where}: is {check}?"
            else:
                yield "silent", f"no data for {silent_s:.0f} s: is the sender still running?"
            return
        diagnostics = self._feed.diagnostics()
        if root := [line for key, line in diagnostics if key == ROOT]:
            yield ROOT, root[0]
            return
        then, now = self._past[0][1], self._past[-1][1]
        grown = {kind: n - then.get(kind, 0) for kind, n in now.items()}
        came = grown.get("received", 0)
        refused: set[str] = set()
        for kind, n in sorted(grown.items(), key=lambda item: -item[1]):
            least = max(FEWEST, BAD_SHARE * came)
            if kind not in NOT_TROUBLE and n >= least and (line := self._feed.remedy(kind)):
                refused.add(line.partition(":")[0])
                yield f"{kind} {line.partition(':')[0]}" if kind in DEGRADING else kind, line
        if self.rate_hz < SLOW_HZ:
            yield (
                "slow",
                f"{self.rate_hz:.0f} Hz is too slow: expected 10 Hz or more; brake points and cues come late, set the "
                "sender or receiver to 10 Hz",
            )
        if came:
            # a field with rejected values has one problem: its other symptoms have the same cause
            yield from (diagnostic for diagnostic in diagnostics if diagnostic[0] not in refused)


def _field(line: str) -> str:
    """Return the field at the start of a line; the line itself if it names none."""
    return line.partition(": ")[0]
