"""Live check: reports once another circuit or the reverse direction, and names a profile that fits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from coach.app.circuits.circuit_match import (
    ENOUGH_M,
    FIRST_M,
    FITS,
    JUMP_M,
    STEP_M,
    lap_lengths,
    match,
    verdict,
    wrong_length,
)
from coach.core.columns import Floats
from coach.core.track.reference import Reference
from coach.outputs.base import Notice
from feeds.frame import Frame

EVERY_M: Final = 100.0
"""Distance between checks until the path fits [m]."""
MOST_M: Final = 3000.0
"""Length of the latest path that is judged [m]."""


class CircuitWatch:
    """Takes the frames of a run; ``status`` is the overlay's line, "" while the circuit fits.

    ``other`` names a profile that fits the given positions (shape (n,) [m]) as the end of a sentence.
    """

    def __init__(self, reference: Reference, say: Notice, other: Callable[[Floats, Floats], str]) -> None:
        self._reference, self._say, self._other = reference, say, other
        self._x: list[float] = []
        self._y: list[float] = []
        self._judge_at = int(FIRST_M / STEP_M)
        self._distance: list[float] = []
        self._laps = 0
        self.status = ""

    def look(self, frames: Sequence[Frame]) -> str:
        """Process frames and return the status line."""
        for frame in frames:
            if self._reference.has_line and frame.x_m == frame.x_m and frame.y_m == frame.y_m:
                self._place(frame.x_m, frame.y_m)
            elif frame.lap_distance_m == frame.lap_distance_m:
                self._along(frame.lap_distance_m)
        return self.status

    def _place(self, x: float, y: float) -> None:
        if self._x:
            dx, dy = x - self._x[-1], y - self._y[-1]
            way = dx * dx + dy * dy
            if way < STEP_M * STEP_M:
                return
            if way > JUMP_M * JUMP_M:
                self._x, self._y = [], []
                self._judge_at = int(FIRST_M / STEP_M)
        self._x.append(x)
        self._y.append(y)
        if len(self._x) >= self._judge_at:
            self._judge_at = len(self._x) + int(EVERY_M / STEP_M)
            self._judge()

    def _judge(self) -> None:
        most = int(MOST_M / STEP_M)
        if len(self._x) > 2 * most:
            del self._x[:-most], self._y[:-most]
            self._judge_at = len(self._x) + int(EVERY_M / STEP_M)
        x, y = np.array(self._x[-most:]), np.array(self._y[-most:])
        found = match(self._reference, x, y)
        wrong = verdict(self._reference, found)
        if wrong and not self.status:
            self.status = wrong
            self._say(wrong + self._other(x, y))
        elif self.status:
            recent = match(self._reference, x[-int(ENOUGH_M / STEP_M) :], y[-int(ENOUGH_M / STEP_M) :])
            if recent.along >= FITS:
                self.status = ""
                self._say(f"this is {self._reference.circuit} now")

    def _along(self, distance_m: float) -> None:
        if self._distance and distance_m < self._distance[-1] - JUMP_M:
            self._distance.append(distance_m)
            laps = lap_lengths(np.array(self._distance))
            if len(laps) > self._laps:
                self._laps = len(laps)
                wrong = wrong_length(self._reference, laps[-1:])
                if wrong and not self.status:
                    self._say(wrong)
                self.status = wrong
        elif not self._distance or distance_m - self._distance[-1] >= STEP_M:
            self._distance.append(distance_m)
