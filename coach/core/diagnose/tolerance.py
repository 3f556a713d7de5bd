"""Tolerances around the baseline: the driver's own scatter, at least the measurable minimum."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from operator import sub
from statistics import median
from typing import Final

from coach.core.columns import Floats
from coach.core.diagnose.practised import PRIOR, per_apex
from coach.core.diagnose.scatter import FEW, USUAL, Scatter

_FLOOR: Final[Mapping[str, float]] = {
    "brake_start_m": 5.0,
    "brake_release_m": 6.0,
    "brake_peak": 0.1,
    "turn_in_m": 4.0,
    "min_speed_mps": 0.8,
    "throttle_start_m": 5.0,
    "full_throttle_m": 8.0,
    "apex_offset_m": 0.6,
    "exit_offset_m": 0.7,
    "coast_s": 0.2,
    "drive_late_m": 5.0,
    "drive_share": 0.12,
    "gear_mean": 0.3,
    "idle_before_m": 6.0,
    "idle_after_m": 5.0,
    "lifted_m": 5.0,
    "entry_line_m": 0.7,
    "apex_line_m": 0.7,
    "exit_line_m": 0.7,
    "loss_s": 0.02,
}
FLOOR: Final[Mapping[str, float]] = {**_FLOOR, **per_apex(_FLOOR)}
"""Least tolerance, even for a consistent driver: less is not worth a cue (common practice, no source)."""

KEPT: Final = 40
WIDTH: Final = 3.0
"""Deviations of the tolerance: about 1 % of faultless passes exceed it for normal scatter."""
MORE: Final = 1.25
"""The scatter along the corners is worked out again when the passes have grown by this factor."""
_JUDGED: Final = (
    "brake_start_m",
    "brake_peak",
    "min_speed_mps",
    "drive_late_m",
    "drive_share",
    "idle_after_m",
    "lifted_m",
    "gear_mean",
    "entry_line_m",
    "apex_line_m",
    "exit_line_m",
)
"""A pass belongs to the baseline only if all these measures are within tolerance."""


_APEXES: Final = tuple(per_apex(PRIOR))


def judged_count() -> int:
    """Return the number of gaps that identify causes."""
    return len(_JUDGED)


def shorth_sigma(values: list[float]) -> float:
    """Return the standard deviation from the shortest half of ``values``: robust to a fault in up to half of the
    passes.
    """
    ordered = sorted(values)
    half = len(ordered) // 2
    if half < 1:
        return 0.0
    # the middle half of a normal distribution is 2 * 0.6745 deviations wide
    narrowest: float = min(map(sub, ordered[half:], ordered))
    return narrowest / 1.349


@dataclass
class ToleranceModel:
    """The driver's scatter per corner and measure, learned from passes.

    Results are cached between two passes of a corner.
    """

    seen: dict[tuple[int, str], deque[float]] = field(default_factory=dict)
    rows: dict[int, deque[dict[str, float]]] = field(default_factory=dict)
    profiles: dict[int, deque[Floats]] = field(default_factory=dict)
    _learned: int = field(default=0, init=False, repr=False, compare=False)
    _scatter: tuple[int, Scatter] | None = field(default=None, init=False, repr=False, compare=False)
    _sigma: dict[tuple[int, str], float] = field(default_factory=dict, init=False, repr=False, compare=False)
    _steps: dict[str, deque[float]] = field(default_factory=dict, init=False, repr=False, compare=False)
    """Differences of a gap between two passes of a corner, for all corners."""
    _priors: dict[str, float] = field(default_factory=dict, init=False, repr=False, compare=False)
    _usual: dict[int, dict[str, float]] = field(default_factory=dict, init=False, repr=False, compare=False)

    def learn(self, corner: int, gaps: Mapping[str, float], profile: Floats | None = None) -> None:
        """Learn the gaps of one valid pass (including ``loss_s``: its time lost over corner and straight)."""
        if profile is not None:
            self.profiles.setdefault(corner, deque(maxlen=KEPT)).append(profile)
            self._learned += 1
        known = {name: gaps[name] for name in PRIOR if name in gaps and gaps[name] == gaps[name]}
        for name, gap in known.items():
            kept = self.seen.get((corner, name))
            if kept is None:
                kept = self.seen[corner, name] = deque(maxlen=KEPT)
            if kept:
                steps = self._steps.get(name)
                if steps is None:
                    steps = self._steps[name] = deque(maxlen=4 * KEPT)
                steps.append(abs(gap - kept[-1]))
                self._priors.pop(name, None)
            kept.append(gap)
            self._sigma.pop((corner, name), None)
        if "loss_s" in known and len(known) > 1:
            self.rows.setdefault(corner, deque(maxlen=4 * KEPT)).append(known)
        self._usual.pop(corner, None)

    def renumber(self, moved: Mapping[int, int]) -> None:
        """Renumber corners, ``moved`` old -> new; forget missing ones."""
        self.seen = {(moved[c], name): kept for (c, name), kept in self.seen.items() if c in moved}
        self.rows = {moved[c]: kept for c, kept in self.rows.items() if c in moved}
        self.profiles = {moved[c]: kept for c, kept in self.profiles.items() if c in moved}
        self._scatter = None
        self._sigma.clear()
        self._usual.clear()

    def sigma(self, corner: int, name: str) -> float:
        """Return the standard deviation of ``name`` at ``corner``, drawn toward the prior while passes are few."""
        prior = self._prior(name)
        own = self._own(corner, name)
        if own is None:
            return prior
        n = float(len(self.seen[corner, name]))
        return math.sqrt((FEW * prior**2 + n * own**2) / (FEW + n))

    @property
    def scatter(self) -> Scatter:
        """The scatter along the corners; worked out again now and then while passes come."""
        if self._scatter is None or self._learned >= MORE * self._scatter[0] + 1:
            self._scatter = self._learned, Scatter(self.profiles)
        return self._scatter[1]

    def _prior(self, name: str) -> float:
        """Return the deviation assumed before a corner's own is known: the driver's at all corners, PRIOR at least.

        It comes from the median difference between two passes of a corner, which a steady habit does not change (mean
        successive difference, von Neumann 1941, from memory).
        """
        known = self._priors.get(name)
        if known is None:
            steps = self._steps.get(name, ())
            own = median(steps) / (0.6745 * math.sqrt(2.0)) if len(steps) >= FEW else 0.0
            known = self._priors[name] = max(PRIOR[name], own)
        return known

    def _own(self, corner: int, name: str) -> float | None:
        known = self._sigma.get((corner, name))
        if known is None:
            values = self.seen.get((corner, name))
            if not values or len(values) < FEW:
                return None
            known = self._sigma[corner, name] = shorth_sigma(list(values))
        return known

    def width(self, corner: int, name: str) -> float:
        """Return the gap beyond which a pass differs."""
        return max(WIDTH * self.sigma(corner, name), FLOOR.get(name, 0.0))

    def baseline(self, corner: int) -> dict[str, float]:
        """Return the baseline: median gaps of the passes within tolerance.

        Not zero, because the reference is one lap with its own scatter and noise. Empty while fewer than FEW such
        passes exist: a habit in every lap exceeds its tolerance and never becomes the baseline.
        """
        known = self._usual.get(corner)
        if known is None:
            known = self._usual[corner] = self._middle(corner)
        return known

    def _middle(self, corner: int) -> dict[str, float]:
        rows = self.rows.get(corner)
        if rows is None or len(rows) < FEW:
            return {}
        judged = (*_JUDGED, *(name for name in _APEXES if name in rows[-1]))
        width = {name: self.width(corner, name) for name in judged}
        good = [row for row in rows if all(abs(row[name]) <= width[name] for name in judged if name in row)]
        if len(good) < FEW:
            return {}
        columns = {name: [row[name] for row in good if name in row] for name in PRIOR}
        return {
            name: min(max(median(column), -USUAL * PRIOR[name]), USUAL * PRIOR[name])
            for name, column in columns.items()
            if column
        }
