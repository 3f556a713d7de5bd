"""Which passes and laps count, and lap times from the times of their passes.

Wheels outside the limit, the car far beside the reference's road, or a stop make a pass invalid: its time still counts
in the lap, but the lap is invalid and nothing is learned. The survey leaves such laps out too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.measure.passes import LossPiece, PassRecord
from coach.core.numeric.reductions import stretches
from coach.core.values import LapDone

WHEELS_OFF: Final = 3
"""This many wheels outside the limit make a pass and its lap invalid (common practice, no source)."""
BESIDE_M: Final = 12.0
BESIDE_OVER_M: Final = 20.0
"""This far off the reference's line for this long is off the road (common practice, no source)."""
STOPPED_MPS: Final = 3.0
STOPPED_S: Final = 1.0
"""Slower than this for this long is a stop (common practice, no source)."""
SLOW: Final = 1.15
"""A lap that takes this many times the best one is too slow to compare with it (common practice, no source)."""


def short_note(lap: int, short_m: float) -> str:
    """Return the note about a lap whose record ends ``short_m`` [m] before the line."""
    return f"lap {lap} ends {short_m:.0f} m before the line: its time is extrapolated from the speed there"


@dataclass
class _Lap:
    begin_t_s: float = float("nan")
    lost_s: float = 0.0
    faults: list[str] = field(default_factory=list)


@dataclass
class LapLedger:
    """Adds up the pieces of each lap. A lap counts if it was tracked from line to line and is valid.

    ``flying`` is false on an out-lap, until the car crosses the line first, or after the pits.
    """

    laps: dict[int, _Lap] = field(default_factory=dict)
    pieces: list[LossPiece] = field(default_factory=list)
    flying: bool = False
    pit_t_s: float = float("-inf")

    def lap(self, number: int) -> _Lap:
        """Return the lap, made on first use."""
        return self.laps.setdefault(number, _Lap())

    def spoil(self, number: int, why: str) -> None:
        """Mark the lap as invalid."""
        faults = self.lap(number).faults
        if why not in faults:
            faults.append(why)
        if why == "restart":
            self.flying = False

    def restart_clock(self) -> None:
        """Handle a clock reset: a lap that began before it has no time."""
        for lap in self.laps.values():
            lap.begin_t_s = float("nan")

    def leave_out(self, number: int) -> None:
        """Record a missing piece: the lap has no time."""
        self.spoil(number, "gap")
        self.lap(number).begin_t_s = float("nan")

    def in_pit(self, t_s: float) -> None:
        """Record the car in the pits at ``t_s``."""
        self.flying = False
        self.pit_t_s = t_s

    def out_lap(self, number: int) -> None:
        """Record lap ``number`` as starting at the line, but slowly."""
        self.flying = False
        self.spoil(number, "out-lap")

    def begin(self, number: int, t_s: float) -> None:
        """Begin lap ``number`` at the line."""
        self.lap(number).begin_t_s = t_s
        # crossing the line in the pit lane begins an out-lap
        self.flying = t_s > self.pit_t_s

    def add(self, driven: PassRecord) -> LapDone | None:
        """Add the pieces of a pass; return the lap it finished, if it crossed the line."""
        ended: LapDone | None = None
        for piece in driven.pieces:
            self.lap(piece.lap).lost_s += piece.loss_s
        self.pieces.extend(driven.pieces)
        if driven.line_t_s == driven.line_t_s:
            ended = self._end(driven.line_lap - 1, driven.line_t_s)
            self.begin(driven.line_lap, driven.line_t_s)
            for number in [n for n in self.laps if n < driven.line_lap - 2]:
                del self.laps[number]
        return ended

    def _end(self, number: int, t_s: float) -> LapDone | None:
        lap = self.lap(number)
        if lap.begin_t_s != lap.begin_t_s:
            return None
        return LapDone(number, t_s, t_s - lap.begin_t_s, lap.lost_s, not lap.faults, ", ".join(lap.faults))


def invalid_reason(driven: PassRecord) -> str:
    """Return why a pass is invalid: "off track", "off the road", "stopped"; "" if it is valid."""
    if driven.measures.get("wheels_off", float("nan")) >= WHEELS_OFF:
        return "off track"
    trace = driven.trace
    if trace is None:
        return ""
    u, zone = trace.u_m, driven.zone
    own = slice(int(u.searchsorted(zone.start_m)), int(u.searchsorted(zone.next_start_m, "right")))
    t = trace.t_s[own]
    step_s = t[1:] - t[:-1]
    if _longest(step_s * STOPPED_MPS > trace.step_m, step_s) > STOPPED_S:
        return "stopped"
    beside = np.abs(trace.offset_m[own]) > BESIDE_M
    return "off the road" if _longest(beside, np.full(len(beside), trace.step_m)) > BESIDE_OVER_M else ""


def _longest(flag: NDArray[np.bool_], size: Floats) -> float:
    """Return the largest sum of ``size`` over consecutive rows where ``flag`` holds."""
    if not np.count_nonzero(flag):
        return 0.0
    total = np.concatenate([[0.0], np.cumsum(np.where(flag, size, 0.0))])
    return float(max(total[b + 1] - total[a] for a, b in stretches(flag)))
