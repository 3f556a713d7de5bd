"""The case of the search for causes: one pass, its reference, the driver's tolerances, and its causes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

from coach.core.diagnose.counterfactual import Counterfactual
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.measure.passes import PARTS, CornerReference, Part, PassRecord
from coach.core.track.car import Car
from coach.core.track.zones import Zone
from coach.core.values import Fault, Unit

COST_S: Final = 0.025
"""Least cost worth a cue: about the scatter of a practised driver at one corner (common practice)."""
NAN: Final = float("nan")
MEASURABLE_MPS: Final = 0.4
"""Least lack of speed that is told from noise (common practice, no source)."""
LIMIT: Final = 0.97
"""Share of available grip that counts as the limit (common practice, no source)."""
CERTAIN_TOLERANCES: Final = 2.0
"""Tolerances beyond which a gap is certain."""


@dataclass(frozen=True)
class Cause:
    """A possible fault: its amount, its counterfactual cost alone, and its evidence."""

    fault: Fault
    amount: float
    unit: Unit
    simulated_cost_s: float
    evidence: dict[str, float]
    tolerance_ratio: float = 1.0
    """The gap in tolerances: 1 at the limit."""
    apex: int = 0
    """At which apex, from 1, of a corner that has several; 0 where it is no matter of one apex."""


def _apexes(zone: Zone) -> range:
    """Return the numbers of a corner's apexes if it has several, else none."""
    several = len(zone.corner.more_apexes_m)
    return range(1, several + 2) if several else range(0)


def worst_apex(fault: Fault, driven: PassRecord, usual: Mapping[str, float]) -> int:
    """Return at which apex, from 1, of a corner that has several the ``fault`` shows most; 0 where it is no matter of
    one apex.
    """
    shows = {"slow_middle": ("speed_mps", -1.0), "apex_missed": ("line_m", 1.0)}.get(fault)
    numbers = _apexes(driven.zone)
    if shows is None or not numbers:
        return 0
    own, sign = shows
    off = {n: driven.gaps.get(f"apex_{n}_{own}", NAN) - usual.get(f"apex_{n}_{own}", 0.0) for n in numbers}
    return max(off, key=lambda n: (sign * off[n], -n))


@dataclass
class Case:
    """Everything known about one pass."""

    driven: PassRecord
    reference: CornerReference
    what_if: Counterfactual
    tolerance: ToleranceModel
    car: Car
    baseline: dict[str, float]
    carried_s: float = 0.0
    """Cost of a slower exit up to the next braking [s]."""
    causes: list[Cause] = field(default_factory=list)

    def excess_gap(self, name: str) -> float:
        """Return the gap of a measure beyond the driver's baseline; NaN if its channel is absent."""
        return self.driven.gaps.get(name, NAN) - self.baseline.get(name, 0.0)

    def width(self, name: str) -> float:
        """Return the gap beyond which a pass differs."""
        return self.tolerance.width(self.driven.corner, name)

    def tolerance_ratio(self, name: str) -> float:
        """Return the gap of ``name`` in tolerances."""
        return abs(self.excess_gap(name)) / self.width(name)

    def beyond(self, name: str, sign: float) -> bool:
        """Return whether the gap exceeds its tolerance on the side of ``sign``; false if absent."""
        return sign * self.excess_gap(name) > self.width(name)

    def has(self, *faults: Fault) -> bool:
        """Return whether one of ``faults`` is among the causes found so far."""
        return any(c.fault in faults for c in self.causes)

    @property
    def excess_s(self) -> float:
        """Time lost over corner and straight beyond the driver's baseline [s]."""
        return self.excess_in(PARTS)

    def excess_in(self, parts: tuple[Part, ...]) -> float:
        """Return the excess loss in some parts [s]: without the cost of a slow arrival, with the later cost of a slow
        exit.
        """
        lost = sum(self.driven.loss(p) - self.baseline.get(f"loss_{p}_s", 0.0) for p in parts)
        lost -= self.arrival_s if "entry" in parts else 0.0
        return lost + (self.carried_s if "exit" in parts else 0.0)

    def scatter_in(self, parts: tuple[Part, ...]) -> float:
        """Return the deviation of the baseline loss in some parts [s]."""
        corner = self.driven.corner
        whole = self.tolerance.sigma(corner, "loss_s")
        if parts == PARTS:
            return whole
        return min(whole, math.hypot(*(self.tolerance.sigma(corner, f"loss_{p}_s") for p in parts)))

    @cached_property
    def arrival_s(self) -> float:
        """Cost of a slower arrival up to the braking, caused earlier [s]."""
        lack = -self.driven.gaps.get("arrival_mps", 0.0)
        return self.what_if.arriving_slower(lack) if lack > 0.5 else 0.0

    @property
    def drop_mps(self) -> float:
        """Minimum speed below the baseline, at least 0 [m/s]."""
        drop = -self.excess_gap("min_speed_mps")
        if drop != drop:
            return 0.0
        if self.driven.measures["min_speed_at_m"] < self.reference.zone.turn_in_m:
            # slowest before it turns in: the speed comes from the previous corner
            drop += min(self.driven.gaps.get("arrival_mps", 0.0), 0.0)
        return max(drop, 0.0)

    @property
    def apexes(self) -> range:
        """Numbers of the corner's apexes if it has several, else none."""
        return _apexes(self.reference.zone)

    def evidence(self, *names: str) -> dict[str, float]:
        """Return the named measures with their gaps."""
        out = {}
        for name in names:
            if name in self.driven.measures:
                out[name] = self.driven.measures[name]
            gap = self.driven.gaps.get(name, NAN)
            if gap == gap:
                out[f"{name}_gap"] = gap
        return out
