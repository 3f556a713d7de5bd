"""From the gaps of a pass to its root causes: what was done differently that cost time, first causes only.

A pass that lost nothing over corner and straight has no fault, however differently it was driven. Otherwise causes
are looked for in the order of the corner, and each is freed of what an earlier one explains: braking that starts
early because it is soft is soft braking; a low exit speed that comes of a late throttle is a late throttle. Costs
come from the counterfactual of each cause and are scaled to what the pass really lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from coach.core.bands import Bands
from coach.core.car import Car
from coach.core.counterfactual import Counterfactual
from coach.core.passes import CornerReference, Driven
from coach.core.trace import Trace
from coach.core.values import Fault, Finding, Unit

COST_S: Final = 0.02
"""Less than this is not worth a word: about the scatter of one corner of a practised driver (common practice)."""
SCALE: Final = (0.4, 1.6)
"""How far a counterfactual cost is stretched to meet the measured loss."""


@dataclass(frozen=True)
class _Cause:
    fault: Fault
    amount: float
    unit: Unit
    alone_s: float
    evidence: dict[str, float]


@dataclass(frozen=True)
class _Case:
    """Everything known about one pass; the gap of a measure is ``g(name)``, NaN where a channel is absent."""

    driven: Driven
    reference: CornerReference
    what_if: Counterfactual
    bands: Bands
    trace: Trace

    def g(self, name: str) -> float:
        return self.driven.gaps.get(name, float("nan"))

    def band(self, name: str) -> float:
        return self.bands.width(self.driven.corner, name)

    def beyond(self, name: str, sign: float) -> bool:
        """Whether the gap of ``name`` lies outside the band on the side of ``sign``; false when absent."""
        return sign * self.g(name) > self.band(name)


class Diagnosis:
    """Finds causes for passes over one reference."""

    def __init__(self, references: tuple[CornerReference, ...], car: Car) -> None:
        self.references = references
        self.what_ifs = tuple(Counterfactual(r.trace, r.zone, r.measures, car) for r in references)

    def findings(self, driven: Driven, bands: Bands) -> tuple[Finding, ...]:
        """Root causes of a whole pass, costliest first; empty when nothing was lost."""
        if driven.trace is None or driven.total_s < COST_S:
            return ()
        reference = self.references[driven.corner]
        case = _Case(driven, reference, self.what_ifs[driven.corner], bands, driven.trace)
        causes = _entry(case)
        causes += _middle(case, causes)
        causes += _exit(case, causes)
        return _priced(causes, driven.total_s)


def _priced(causes: list[_Cause], total_s: float) -> tuple[Finding, ...]:
    """Costs scaled to the measured loss; what then costs too little is dropped and the rest scaled anew."""
    while causes:
        alone = sum(c.alone_s for c in causes)
        if alone <= 0.0:
            return ()
        scale = float(np.clip(total_s / alone, *SCALE))
        small = [c for c in causes if c.alone_s * scale < COST_S]
        if not small:
            found = [Finding(c.fault, c.amount, c.unit, c.alone_s * scale, c.evidence) for c in causes]
            return tuple(sorted(found, key=lambda f: (-f.cost_s, f.fault)))
        causes = [c for c in causes if c is not min(small, key=lambda c: c.alone_s)]
    return ()


def _entry(case: _Case) -> list[_Cause]:
    measures, gaps = case.driven.measures, case.driven.gaps
    start = case.g("brake_start_m")
    causes: list[_Cause] = []
    if start != start:
        return causes
    softness, by_soft = _softness(case)
    drop = max(-case.g("min_speed_mps"), 0.0)
    by_slow = _metres_for(case, drop) if drop > 0.0 else 0.0
    early = -start - by_soft - by_slow
    evidence = {"brake_start_m": measures["brake_start_m"], "gap_m": start, "by_soft_m": by_soft, "by_slow_m": by_slow}
    if softness > case.band("brake_peak"):
        cost = case.what_if.braking_softer(1.0 - softness)
        causes.append(_Cause("brake_soft", softness, "share", cost, {"brake_peak": measures["brake_peak"]}))
    if early > case.band("brake_start_m"):
        cost = case.what_if.braking_earlier(early)
        if _rolls(case, early):
            idle = gaps["coast_s"]
            causes.append(_Cause("coasting", idle, "s", cost, {**evidence, "coast_s": measures["coast_s"]}))
        else:
            causes.append(_Cause("brake_early", early, "m", cost, evidence))
    elif start > case.band("brake_start_m") and _overshot(case):
        causes.append(_Cause("brake_late", start, "m", case.driven.total_s, evidence))
    elif case.g("coast_s") > case.band("coast_s") and not case.beyond("throttle_start_m", 1.0):
        lost = case.driven.loss("entry") + case.driven.loss("middle")
        causes.append(_Cause("coasting", gaps["coast_s"], "s", max(lost, 0.0), {"coast_s": measures["coast_s"]}))
    late_release = case.g("brake_release_m") - max(start, 0.0)
    if late_release > case.band("brake_release_m") and drop > 0.0 and not _has(causes, "brake_soft", "brake_late"):
        evidence = {"brake_release_m": measures["brake_release_m"], "min_speed_gap_mps": -drop}
        causes.append(_Cause("brake_long", late_release, "m", case.what_if.slower(drop), evidence))
    return causes


def _softness(case: _Case) -> tuple[float, float]:
    """How much softer the brake was used (share of the reference's peak), and the metres that takes."""
    peak, theirs = case.driven.measures["brake_peak"], case.reference.measures["brake_peak"]
    if not theirs > 0.0 or not peak > 0.0:
        return 0.0, 0.0
    share = 1.0 - peak / theirs
    if share <= 0.0:
        return 0.0, 0.0
    length = case.reference.measures["min_speed_at_m"] - case.reference.measures["brake_start_m"]
    return share, max(length, 0.0) * (1.0 / max(1.0 - share, 0.3) - 1.0)


def _metres_for(case: _Case, drop: float) -> float:
    """Metres of braking that a slowest speed lower by ``drop`` takes, at the reference's mean deceleration."""
    r = case.reference.measures
    slow = r["min_speed_mps"]
    length = max(r["min_speed_at_m"] - r["brake_start_m"], 10.0)
    at_start = float(np.interp(r["brake_start_m"], case.what_if.u, case.what_if.v))
    mean = max((at_start**2 - slow**2) / (2.0 * length), 0.5)
    return (slow**2 - (slow - drop) ** 2) / (2.0 * mean)


def _rolls(case: _Case, early: float) -> bool:
    """Whether the early metres were spent rolling with neither pedal, still slowing down: coasting, not waiting."""
    idle = case.g("coast_s")
    slow = max(case.driven.measures["min_speed_mps"], 5.0)
    if not idle > max(case.band("coast_s"), 0.5 * early / slow):
        return False
    release = case.driven.measures["brake_release_m"]
    if release != release:
        return False
    base = case.driven.zone.start_m - case.reference.zone.start_m
    at_release = case.trace.at("speed_mps", release + base)
    theirs = float(np.interp(case.reference.measures["brake_release_m"], case.what_if.u, case.what_if.v))
    extra = (at_release - slow) - (theirs - case.reference.measures["min_speed_mps"])
    return extra > 0.15 * idle * 2.0


def _overshot(case: _Case) -> bool:
    """Whether late braking carried the car too deep: slowest later or lower, wide of the apex, or off it late."""
    return (
        case.g("min_speed_at_m") > 3.0
        or case.beyond("apex_offset_m", 1.0)
        or case.beyond("throttle_start_m", 1.0)
        or case.driven.loss("exit") + case.driven.loss("straight") > 0.0
    )


def _has(causes: list[_Cause], *faults: Fault) -> bool:
    return any(c.fault in faults for c in causes)


def _middle(case: _Case, before: list[_Cause]) -> list[_Cause]:
    measures = case.driven.measures
    causes: list[_Cause] = []
    if _has(before, "brake_late"):
        return causes
    drop = max(-case.g("min_speed_mps"), 0.0)
    lost = max(case.driven.loss("middle") + case.driven.loss("exit") + case.driven.loss("straight"), 0.0)
    turn = case.g("turn_in_m")
    slow_cost = case.what_if.slower(drop) if drop > 0.0 else 0.0
    if turn == turn and abs(turn) > case.band("turn_in_m"):
        fault: Fault = "turn_in_early" if turn < 0.0 else "turn_in_late"
        causes.append(_Cause(fault, abs(turn), "m", max(slow_cost, lost), {"turn_in_m": measures["turn_in_m"]}))
    if case.beyond("apex_offset_m", 1.0) and not causes:
        evidence = {"apex_offset_m": measures["apex_offset_m"]}
        causes.append(_Cause("apex_missed", case.g("apex_offset_m"), "m", max(slow_cost, lost), evidence))
    if case.beyond("min_speed_mps", -1.0) and not causes and not _has(before, "brake_long"):
        evidence = {"min_speed_mps": measures["min_speed_mps"], "at_m": measures["min_speed_at_m"]}
        causes.append(_Cause("slow_middle", drop, "m/s", slow_cost, evidence))
    return causes


def _exit(case: _Case, before: list[_Cause]) -> list[_Cause]:
    measures = case.driven.measures
    causes: list[_Cause] = []
    if _has(before, "brake_late"):
        return causes
    late = case.g("throttle_start_m")
    if late > case.band("throttle_start_m"):
        evidence = {"throttle_start_m": measures["throttle_start_m"]}
        causes.append(_Cause("throttle_late", late, "m", case.what_if.driving_later(late), evidence))
    return causes
