"""Gears that the car has lost today: between others that are used, a whole lap without one.

Who accelerates from a lower gear to a higher one comes through all between; the lowest and the highest gear may just
be a driver's choice.
"""

from __future__ import annotations

import numpy as np

from coach.core.columns import Floats


class Gearbox:
    """Which gears were engaged in the passes of about one lap; ``corners`` is how many a lap has."""

    def __init__(self, corners: int) -> None:
        self.corners = corners
        self._passes = 0
        self._last: dict[int, int] = {}
        """Gear -> the last pass in which it was engaged."""

    def take(self, gears: Floats) -> None:
        """The gears of one more pass, (n,), NaN where unknown."""
        self._passes += 1
        for gear in engaged(gears):
            self._last[gear] = self._passes

    @property
    def lost(self) -> frozenset[int]:
        """The gears that were skipped for a lap; none while no lap is known."""
        if self._passes < self.corners:
            return frozenset()
        used = {gear for gear, last in self._last.items() if self._passes - last < self.corners}
        return frozenset(range(min(used), max(used))) - used if used else frozenset()


def engaged(gears: Floats) -> frozenset[int]:
    """The forward gears among ``gears``, (n,)."""
    return frozenset(int(gear) for gear in np.unique(gears[gears >= 1.0]))
