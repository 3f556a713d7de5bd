"""Rotates focus corners between laps: costly ones most often, each in turn, and rests those that do not improve.

A few corners a lap, but not always the same: a silent pass makes the driver recall the last cue (Park, Shea & Wright
2000, J Motor Behavior) while another corner gets one; and tasks practised in rotation are retained better than in
blocks (Shea & Morgan 1979, JEP: Human Learning and Memory 5(2):179-187, from memory).
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from typing import Final

import msgspec

LONGEST_WAIT_LAPS: Final = 4
"""Longest wait that raises a corner's urgency (common practice, no source)."""
VAIN_TURNS: Final = 3
MENDS: Final = 0.85
"""A corner that still costs more than this share after VAIN_TURNS cues rests for a while."""
REST_LAPS: Final = 3
"""First rest; it doubles with each further failure."""

STUCK: Final = 2
"""Failed rounds of VAIN_TURNS cues after which the driver is asked instead (common practice, no source)."""


class RotationState(msgspec.Struct):
    """Rotation state of a corner: cues since it cost ``cost_s``, and the lap of its last turn."""

    cost_s: float
    count: int = 0
    lap: int = -1000
    rests_until: int = -1000
    vain: int = 0


class FocusCorners:
    """The focus corners of the current lap, at most ``most``."""

    def __init__(self, most: int) -> None:
        self.most = most
        self.corners: set[int] = set()
        self.lap = 0
        self._told_in_lap: set[int] = set()
        self._turns: dict[int, RotationState] = {}
        self._waiting: dict[int, float] = {}

    def begin(self, lap: int, costs: Mapping[int, float]) -> None:
        """Begin a lap; ``costs`` maps corners with possible corrections to their costs [s]."""
        self.lap = lap
        left = self.corners - self._told_in_lap
        self.corners.clear()
        self._told_in_lap.clear()
        self._waiting = {
            c: cost for c, cost in costs.items() if self._turns.setdefault(c, RotationState(cost)).rests_until < lap
        }
        for _ in range(self.most):
            self._next(self._waiting)
        # who found no room last lap keeps the turn, beside the others
        for corner in sorted(left & self._waiting.keys(), key=self._order)[: self.most]:
            self._next((corner,))

    def join(self, corner: int, cost_s: float) -> None:
        """Add ``corner``, known only within the lap, if there is room."""
        if corner not in self.corners and self._turns.setdefault(corner, RotationState(cost_s)).rests_until < self.lap:
            self._waiting[corner] = cost_s
            if len(self.corners) < self.most:
                self._next((corner,))

    def told(self, corner: int, cost_s: float) -> None:
        """Count a correction there: after three without effect on what it costs [s] the corner rests.

        ``cost_s`` is the loss itself: the expected gain falls with each cue in vain and would look like an effect.
        """
        self._told_in_lap.add(corner)
        turns = self._turns.get(corner)
        if turns is None:
            return
        if not turns.count:
            turns.cost_s = cost_s
        turns.count += 1
        if turns.count >= VAIN_TURNS:
            turns.count = 0
            if cost_s > MENDS * turns.cost_s:
                turns.rests_until = self.lap + REST_LAPS * 2**turns.vain
                turns.vain += 1

    def rests(self, corner: int) -> bool:
        """Return whether the corner rests because no cue helped there."""
        turns = self._turns.get(corner)
        return turns is not None and turns.rests_until >= self.lap

    def stuck(self) -> tuple[int, ...]:
        """Return the resting corners where STUCK rounds of cues failed."""
        return tuple(c for c, turns in self._turns.items() if turns.vain >= STUCK and self.rests(c))

    def _next(self, waiting: Iterable[int]) -> None:
        order = sorted(waiting, key=self._order)
        if order:
            self.corners.add(order[0])
            self._turns[order[0]].lap = self.lap
            del self._waiting[order[0]]

    def _order(self, corner: int) -> tuple[bool, float, int]:
        """Return the corners that had no turn yet come first, then what costs most for the time it waited."""
        turns = self._turns[corner]
        return turns.lap >= 0, -self._waiting[corner] * _waited(turns, self.lap), corner

    def resolved(self, corner: int, opened: Container[int] = ()) -> None:
        """Reset a corner without faults: earlier attempts no longer count.

        Its place in this lap goes to another corner unless something was said there; not to one of ``opened``, whose
        approach began already.
        """
        if corner in self._turns:
            self._turns[corner].count = self._turns[corner].vain = 0
        self._waiting.pop(corner, None)
        if corner in self.corners and corner not in self._told_in_lap:
            self.corners.discard(corner)
            self._next([c for c in self._waiting if c not in opened])

    def move(self, moved: Mapping[int, int]) -> None:
        """Renumber corners, ``moved`` old -> new."""
        self.corners = {moved[c] for c in self.corners if c in moved}
        self._told_in_lap = {moved[c] for c in self._told_in_lap if c in moved}
        self._waiting = {moved[c]: cost for c, cost in self._waiting.items() if c in moved}
        self._turns = {moved[c]: kept for c, kept in self._turns.items() if c in moved}


def _waited(turns: RotationState, lap: int) -> int:
    return min(max(lap - turns.lap, 0), LONGEST_WAIT_LAPS)
