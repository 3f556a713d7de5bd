"""Inconsistent brake points: a fault where the spread, not the mean, costs time.

The cost of the spread is the slope of the loss over the distance from the median brake point, times the mean distance:
a least-squares line through the last passes of the corner.
"""

from __future__ import annotations

from collections import deque
from statistics import fmean, median
from typing import Final

PASSES: Final = 8
"""Number of last passes used; fewer show no spread (common practice, no source)."""
SPREAD_M: Final = 6.0
"""Least noticeable mean distance from the median brake point (common practice, no source)."""
MIDDLE_M: Final = 7.5
"""Largest offset of the median; beyond it the mean is the fault."""
COST_S: Final = 0.05
"""Least cost worth a cue (common practice, no source)."""
AGAIN_LAPS: Final = 5


class Steadiness:
    """The last brake points of each corner, and the losses of their passes."""

    def __init__(self) -> None:
        self._passes: dict[int, deque[tuple[float, float]]] = {}
        self._told: dict[int, int] = {}

    def forget(self, corner: int) -> None:
        """Forget the passes of a corner: the way of a correction to its goal is no spread."""
        self._passes.pop(corner, None)

    def learn(self, corner: int, lap: int, early_m: float, loss_s: float) -> bool:
        """Learn from a valid pass [m, s]; return whether to call the brake point inconsistent now."""
        if not (early_m == early_m and loss_s == loss_s):
            return False
        passes = self._passes.setdefault(corner, deque(maxlen=PASSES))
        passes.append((early_m, loss_s))
        if len(passes) < PASSES or lap - self._told.get(corner, -AGAIN_LAPS) < AGAIN_LAPS:
            return False
        middle = median(early for early, _ in passes)
        away = [abs(early - middle) for early, _ in passes]
        if abs(middle) > MIDDLE_M or fmean(away) < SPREAD_M or _cost_s(away, [loss for _, loss in passes]) < COST_S:
            return False
        self._told[corner] = lap
        return True


def _cost_s(away: list[float], losses: list[float]) -> float:
    """Return the mean cost per pass of the distance from the median [s]: least-squares slope times the mean
    distance.
    """
    mean, loss = fmean(away), fmean(losses)
    over = sum((a - mean) ** 2 for a in away)
    return mean * sum((a - mean) * (x - loss) for a, x in zip(away, losses, strict=True)) / over if over else 0.0
