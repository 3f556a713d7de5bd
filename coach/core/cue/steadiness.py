"""A brake point that wanders: a fault of its own where the spread, not the mean, costs time.

What the spread costs is the slope of the loss over the distance from the middle brake point, times the mean distance:
a least-squares line through the last passes of the corner.
"""

from __future__ import annotations

from collections import deque
from statistics import fmean, median
from typing import Final

PASSES: Final = 8
"""So many last passes are looked at; fewer tell no spread (common practice, no source)."""
SPREAD_M: Final = 6.0
"""A mean distance from the middle brake point of this and more can be felt (common practice, no source)."""
MIDDLE_M: Final = 7.5
"""With the middle farther off than this, the mean is the fault."""
COST_S: Final = 0.05
"""Less is not worth a word (common practice, no source)."""
AGAIN_LAPS: Final = 5


class Steadiness:
    """The last brake points of each corner, and what their passes lost."""

    def __init__(self) -> None:
        self._passes: dict[int, deque[tuple[float, float]]] = {}
        self._told: dict[int, int] = {}

    def learn(self, corner: int, lap: int, early_m: float, loss_s: float) -> bool:
        """Take a valid pass in [m, s]; whether the brake point there is to be called unsteady now."""
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
    """What the distance from the middle costs a pass in the mean [s]: least-squares slope times the mean distance."""
    mean, loss = fmean(away), fmean(losses)
    over = sum((a - mean) ** 2 for a in away)
    return mean * sum((a - mean) * (x - loss) for a, x in zip(away, losses, strict=True)) / over if over else 0.0
