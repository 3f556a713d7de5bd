"""Gears that the car has lost: not engaged for a whole lap, between others that were.

A car that accelerates from a lower to a higher gear engages all gears between them. A missing lowest or highest gear
may be the driver's choice.
"""

from __future__ import annotations

import numpy as np

from coach.core.columns import Floats


class Gearbox:
    """Follows the engaged gears over the last lap; ``corners`` is the number of passes in a lap."""

    def __init__(self, corners: int) -> None:
        self.corners = corners
        self._passes = 0
        self._last: dict[int, int] = {}
        """Gear -> the last pass in which it was engaged."""

    def take(self, gears: Floats) -> None:
        """Add the gears of a pass, (n,), NaN where unknown."""
        self._passes += 1
        for gear in engaged(gears):
            self._last[gear] = self._passes

    @property
    def lost(self) -> frozenset[int]:
        """Gears skipped for a lap; empty during the first lap."""
        if self._passes < self.corners:
            return frozenset()
        used = {gear for gear, last in self._last.items() if self._passes - last < self.corners}
        return frozenset(range(min(used), max(used))) - used if used else frozenset()


def engaged(gears: Floats) -> frozenset[int]:
    """Return the forward gears among ``gears``, (n,)."""
    return frozenset(int(gear) for gear in np.unique(gears[gears >= 1.0]))
