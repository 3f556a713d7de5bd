"""How far from the reference is still the same: the driver's own scatter, never less than can be measured."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

PRIOR: Final[Mapping[str, float]] = {
    "brake_start_m": 3.0,
    "brake_release_m": 4.0,
    "brake_peak": 0.04,
    "turn_in_m": 2.5,
    "min_speed_mps": 0.3,
    "throttle_start_m": 4.0,
    "full_throttle_m": 5.0,
    "apex_offset_m": 0.3,
    "exit_offset_m": 0.35,
    "coast_s": 0.08,
}
"""Scatter of a practised driver, used until his own is known (common practice, no source)."""

PRIOR_WEIGHT: Final = 3.0
KEPT: Final = 30
WIDTH: Final = 2.5
"""A gap counts beyond this many deviations: about 1 % of faultless passes for a normal scatter."""


def shorth_sigma(values: list[float]) -> float:
    """Standard deviation from the shortest half of ``values``: blind to a fault in up to half of the passes."""
    ordered = np.sort(np.asarray(values))
    half = len(ordered) // 2
    if half < 1:
        return 0.0
    widths = ordered[half:] - ordered[: len(ordered) - half]
    # the middle half of a normal distribution is 2 * 0.6745 deviations wide
    return float(widths.min() / 1.349)


@dataclass
class Bands:
    """The driver's scatter per corner and measure, learned from his passes."""

    seen: dict[tuple[int, str], deque[float]] = field(default_factory=dict)

    def learn(self, corner: int, gaps: Mapping[str, float]) -> None:
        """Take the gaps of one valid pass in."""
        for name in PRIOR:
            gap = gaps.get(name, float("nan"))
            if gap == gap:
                self.seen.setdefault((corner, name), deque(maxlen=KEPT)).append(gap)

    def sigma(self, corner: int, name: str) -> float:
        """Standard deviation of ``name`` at ``corner``, drawn toward the prior while passes are few."""
        prior = PRIOR[name]
        values = self.seen.get((corner, name))
        if not values or len(values) < 3:
            return prior
        own = shorth_sigma(list(values))
        n = float(len(values))
        return float(np.sqrt((PRIOR_WEIGHT * prior**2 + n * own**2) / (PRIOR_WEIGHT + n)))

    def width(self, corner: int, name: str) -> float:
        """The gap beyond which a pass differs."""
        return WIDTH * self.sigma(corner, name)
