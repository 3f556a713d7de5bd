"""Entry causes: braking too late, too early, too softly, or coasting."""

from __future__ import annotations

import numpy as np

from coach.core.diagnose.advice import later_by
from coach.core.diagnose.case import MEASURABLE_MPS, Case, Cause


def find_entry_causes(case: Case) -> None:
    """Add causes before the slowest point."""
    start = case.excess_gap("brake_start_m")
    idle = case.excess_gap("idle_before_m")
    rolled = idle > case.width("idle_before_m") and not idle < case.excess_gap("idle_after_m") and _slowing(case)
    if start != start:
        if rolled:
            # after long coasting the car needs no brake
            _coasting(case, idle)
        return
    if rolled and case.excess_gap("idle_lift_m") > max(start, case.width("idle_before_m")):
        # a lift long before the brake, which may then come later
        _coasting(case, idle)
        return
    # a car that comes slower needs less room
    later = start - metres_for(case, start_speed(case), max(-case.driven.gaps["arrival_mps"], 0.0))
    if later > case.width("brake_start_m"):
        cost, ratio = max(case.excess_s, 0.0), case.tolerance_ratio("brake_start_m")
        case.causes.append(Cause("brake_late", later, "m", cost, case.evidence("brake_start_m"), ratio))
        return
    softness = softer(case)
    early = -start - metres_for(case, case.reference.measures["min_speed_mps"], case.drop_mps)
    # the same braking done earlier ends earlier too
    moved = case.excess_gap("brake_release_m") < 0.5 * start
    if softness > case.width("brake_peak") and early > 0.0 and not moved:
        ratio = case.tolerance_ratio("brake_peak")
        cost = case.what_if.braking_softer(1.0 - softness)
        case.causes.append(Cause("brake_soft", softness, "share", cost, case.evidence("brake_peak"), ratio))
    elif rolled and min(idle, case.driven.gaps["idle_before_m"]) > max(early, 0.0) + case.width("idle_before_m"):
        # a little coasting after early braking follows from it
        _coasting(case, idle)
    elif early > case.width("brake_start_m"):
        evidence = case.evidence("brake_start_m", "brake_peak") | later_by(
            case.driven, case.reference, case.car, -start
        )
        cost = case.what_if.braking_earlier(early)
        case.causes.append(Cause("brake_early", early, "m", cost, evidence, case.tolerance_ratio("brake_start_m")))


def _coasting(case: Case, idle: float) -> None:
    # the reference's own coasting lies inside the one long stretch
    metres = max(case.driven.gaps["idle_longest_m"], idle)
    lost = max(case.excess_s, 0.0)
    case.causes.append(
        Cause(
            "coasting",
            metres,
            "m",
            lost,
            case.evidence("coast_s", "idle_before_m", "idle_after_m"),
            case.tolerance_ratio("idle_before_m"),
        )
    )


def _slowing(case: Case) -> bool:
    """Return whether the car slowed without a pedal: coasting, not holding speed."""
    slow = case.driven.gaps["idle_slow"]
    v = case.driven.measures["min_speed_mps"]
    lost = case.driven.gaps["idle_longest_m"] * slow / max(v, 5.0)
    # coasting slows the car little: a much lower minimum speed has another cause
    return slow > 0.0 and case.drop_mps < lost + MEASURABLE_MPS


def softer(case: Case) -> float:
    """Return how much softer the braking was, as a share of the reference's peak."""
    peak, theirs = case.driven.measures["brake_peak"], case.reference.measures["brake_peak"]
    if not theirs > 0.0 or not peak > 0.0:
        return 0.0
    return float(np.clip(1.0 - (peak - case.baseline.get("brake_peak", 0.0)) / theirs, 0.0, 0.9))


def start_speed(case: Case) -> float:
    """Return the reference's speed where it begins to brake [m/s]."""
    return float(np.interp(case.reference.measures["brake_start_m"], case.what_if.u, case.what_if.v))


def metres_for(case: Case, speed_mps: float, lack_mps: float) -> float:
    """Return the braking metres for a ``speed_mps`` lower by ``lack_mps``, at the reference's mean deceleration."""
    r = case.reference.measures
    start, slow = r["brake_start_m"], r["min_speed_mps"]
    if start != start or lack_mps <= 0.0:
        return 0.0
    length = max(r["min_speed_at_m"] - start, 10.0)
    mean = max((start_speed(case) ** 2 - slow**2) / (2.0 * length), 0.5)
    return (speed_mps**2 - (speed_mps - lack_mps) ** 2) / (2.0 * mean)
