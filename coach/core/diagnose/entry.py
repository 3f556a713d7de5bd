"""Entry causes: braking too late, too early, too softly, or coasting."""

from __future__ import annotations

from typing import Final

import numpy as np

from coach.core.diagnose.advice import later_by
from coach.core.diagnose.case import Case, Cause

SOFT: Final = 0.1
ROLLING_MPS2: Final = 0.12
ARRIVAL_MPS: Final = 1.0
"""A car this much slower on arrival may brake later."""
ROLLED: Final = 0.5
"""Largest share of the throttle delay outside coasting for a coasting fault; beyond it the throttle is late."""
MOSTLY: Final = 1.5
"""Coasting to early-braking ratio above which coasting wins."""
COAST_RATIO: Final = 1.2
ROLL_MPS: Final = 0.5
"""Effect of coasting on the minimum speed: its measured deceleration with a margin, and an unmeasurable rest."""
LIFTED: Final = 0.5
"""Least share of coasting before the brake for a lift."""
PEDAL_M: Final = 10.0
"""Coasting longer than a foot needs between pedals is a lift before braking."""
SAME_MPS: Final = 0.4


def find_entry_causes(case: Case) -> None:
    """Add causes before the slowest point."""
    start = case.excess_gap("brake_start_m")
    idle = case.excess_gap("idle_before_m")
    later = np.fmax(case.excess_gap("idle_after_m"), ROLLED * case.excess_gap("drive_late_m"))
    rolled = idle > case.width("idle_before_m") and not idle < later and _slowing(case)
    # a car far outside on entry must wait until it turns: that is the line
    rolled = rolled and not case.far_outside("entry_line_m")
    if start != start:
        if rolled:
            # after long coasting the car needs no brake
            _coasting(case, idle)
        return
    if rolled and case.excess_gap("idle_lift_m") > max(start, LIFTED * idle, PEDAL_M):
        # a lift long before the brake, which may then come later
        _coasting(case, idle)
        return
    if start > case.width("brake_start_m"):
        if case.driven.gaps["arrival_mps"] > -ARRIVAL_MPS:
            cost = max(case.excess_s, 0.0)
            case.causes.append(
                Cause(
                    "brake_late",
                    start,
                    "m",
                    cost,
                    case.evidence("brake_start_m"),
                    case.tolerance_ratio("brake_start_m"),
                )
            )
            return
        if rolled:
            _coasting(case, idle)
        return
    softness = softer(case)
    by_slow = metres_for(case, case.drop_mps)
    early = -start - by_slow
    tail = case.driven.gaps["brake_tail_m"]
    if tail != tail:
        # too short a braking for halves: use its end for the second half
        tail = case.excess_gap("brake_release_m")
    # the same braking done earlier also ends earlier
    whole = -tail > 0.75 * -start and not case.excess_gap("brake_release_m") > 0.5 * start
    soft = softness > max(SOFT, case.width("brake_peak")) and early > 0.0 and not whole
    if soft:
        case.causes.append(
            Cause(
                "brake_soft",
                softness,
                "share",
                case.what_if.braking_softer(1.0 - softness),
                case.evidence("brake_peak"),
                case.tolerance_ratio("brake_peak"),
            )
        )
    if early > case.width("brake_start_m") and not soft:
        # a little coasting after it follows from reaching the speed too early
        if rolled and min(idle, case.driven.gaps["idle_before_m"]) > MOSTLY * early:
            _coasting(case, idle)
        else:
            evidence = case.evidence("brake_start_m", "brake_peak") | later_by(
                case.driven, case.reference, case.car, -start
            )
            cost = case.what_if.braking_earlier(early)
            case.causes.append(Cause("brake_early", early, "m", cost, evidence, case.tolerance_ratio("brake_start_m")))
    elif rolled and not soft:
        _coasting(case, idle)
    elif (
        not soft
        and case.excess_gap("brake_release_m") < -1.5 * case.width("brake_release_m")
        and case.drop_mps < SAME_MPS
    ):
        # started at the normal place but finished too early, then waiting
        done = -case.excess_gap("brake_release_m")
        evidence = case.evidence("brake_release_m", "brake_peak")
        cost = case.what_if.braking_earlier(done)
        case.causes.append(Cause("brake_early", done, "m", cost, evidence, case.tolerance_ratio("brake_release_m")))


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
    return slow > max(ROLLING_MPS2, 0.4 * case.car.drag_pm * v**2) and case.drop_mps < COAST_RATIO * lost + ROLL_MPS


def softer(case: Case) -> float:
    """Return how much softer the braking was, as a share of the reference's peak."""
    peak, theirs = case.driven.measures["brake_peak"], case.reference.measures["brake_peak"]
    if not theirs > 0.0 or not peak > 0.0:
        return 0.0
    return float(np.clip(1.0 - (peak - case.baseline.get("brake_peak", 0.0)) / theirs, 0.0, 0.9))


def metres_for(case: Case, drop: float) -> float:
    """Return the extra braking metres for a minimum speed lower by ``drop``, at the reference's mean deceleration."""
    r = case.reference.measures
    slow = r["min_speed_mps"]
    start = r["brake_start_m"]
    if start != start or drop <= 0.0:
        return 0.0
    length = max(r["min_speed_at_m"] - start, 10.0)
    at_start = float(np.interp(start, case.what_if.u, case.what_if.v))
    mean = max((at_start**2 - slow**2) / (2.0 * length), 0.5)
    return (slow**2 - (slow - drop) ** 2) / (2.0 * mean)
