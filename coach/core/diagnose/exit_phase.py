"""Mid-corner and exit causes: slow mid-corner, dragged brake, late or soft throttle, gear."""

from __future__ import annotations

from typing import Final

from coach.core.diagnose.case import MEASURABLE_MPS, Case, Cause, worst_apex
from coach.core.diagnose.entry import metres_for
from coach.core.values import Fault

LINE: Final = ("turn_in_early", "turn_in_late", "apex_missed", "exit_narrow", "exit_wide")
GEAR: Final = 0.6
"""Mean of the gears above or below the reference's that counts as another one."""
SLOWER: Final = 0.03
"""Least lack as a share of the speed."""


def find_mid_corner_causes(case: Case) -> None:
    """Add causes around the slowest point."""
    if case.has("brake_late", "coasting") or case.has(*LINE):
        return
    if case.apexes:
        # a slow first apex lengthens the braking as a dragged brake does
        _slow_apex(case)
        return
    drop = case.drop_mps
    longer = case.excess_gap("brake_release_m")
    if (
        longer > case.width("brake_release_m")
        # a slower mid-corner needs a few metres more of braking
        and longer > metres_for(case, case.reference.measures["min_speed_mps"], drop)
        and drop > 0.6 * case.width("min_speed_mps")
        and not case.has("brake_soft")
    ):
        evidence = case.evidence("brake_release_m", "min_speed_mps")
        # the recovery of speed depends on unused grip: only the pass itself shows it
        lost = max(case.excess_in(("middle", "exit", "straight")), 0.0)
        case.causes.append(Cause("brake_long", longer, "m", lost, evidence, case.tolerance_ratio("brake_release_m")))
        return
    if (ratio := drop / _least(case, "min_speed_mps")) > 1.0 and not _waits(case):
        evidence = case.evidence("min_speed_mps", "min_speed_at_m")
        case.causes.append(Cause("slow_middle", drop, "m/s", case.what_if.slower(drop), evidence, ratio))


def _least(case: Case, name: str) -> float:
    """Return the least lack of the speed ``name`` that is a fault [m/s]."""
    return min(case.width(name), max(SLOWER * case.reference.measures[name], MEASURABLE_MPS))


def _slow_apex(case: Case) -> None:
    """Add the one apex of several at which the speed lacks most: the others may lack some of it for that.

    What the other apexes give back or take no counterfactual knows: the cost is what the pass lost.
    """
    apex = worst_apex("slow_middle", case.driven, case.baseline)
    name = f"apex_{apex}_speed_mps"
    drop = -case.excess_gap(name)
    if (ratio := drop / _least(case, name)) > 1.0:
        evidence = case.evidence(*(f"apex_{n}_speed_mps" for n in case.apexes), f"apex_{apex}_speed_at_m")
        lost = max(case.excess_s, 0.0)
        case.causes.append(Cause("slow_middle", drop, "m/s", lost, evidence, ratio, apex))


def _waits(case: Case) -> bool:
    """Return whether the car keeps slowing after the reference's throttle point, because the throttle is late."""
    start, at = case.reference.measures["throttle_start_m"], case.driven.measures["min_speed_at_m"]
    if not case.excess_gap("drive_late_m") > case.width("drive_late_m") or not at > start + 3.0:
        return False
    trace, base = case.driven.trace, case.driven.zone.start_m - case.reference.zone.start_m
    if trace is None:
        return True
    # a car already that slow where the reference is slowest did not wait
    slowest = min(case.reference.measures["min_speed_at_m"], start)
    lack = case.reference.trace.at("speed_mps", slowest) - trace.at("speed_mps", slowest + base)
    return not lack > case.drop_mps


def find_exit_causes(case: Case) -> None:
    """Add causes from the throttle on."""
    if case.has("brake_late", "coasting") or case.has(*LINE):
        return
    late = case.excess_gap("drive_late_m")
    if case.apexes and case.has("slow_middle") and not case.excess_gap("throttle_start_m") > 0.0:
        # a longer lift between two apexes slows the second; the exit is not later for it
        late = 0.0
    if late != late:
        # a lift where the reference never lifts has no later opening, only metres of throttle given back
        late = case.excess_gap("lifted_m")
    if _gear(case):
        return
    share = case.excess_gap("drive_share")
    if share > case.width("drive_share"):
        evidence = case.evidence("drive_share", "full_throttle_m", "exit_speed_mps")
        case.causes.append(
            Cause(
                "throttle_soft",
                share,
                "share",
                case.what_if.driving_softer(share),
                evidence,
                case.tolerance_ratio("drive_share"),
            )
        )
    elif late > case.width("drive_late_m") and not case.has("brake_long"):
        evidence = case.evidence("throttle_start_m", "drive_late_m", "exit_speed_mps")
        case.causes.append(
            Cause(
                "throttle_late",
                late,
                "m",
                case.what_if.driving_later(late),
                evidence,
                late / case.width("drive_late_m"),
            )
        )


def _gear(case: Case) -> bool:
    """Add another gear at the same speed: lower or higher at the slowest point or on the way out."""
    least, mean = case.driven.gaps["gear_min"], case.driven.gaps["gear_mean"]
    if not (abs(least) >= 1.0 or abs(mean) >= GEAR) or case.tolerance_ratio("min_speed_mps") > 1.0 or case.causes:
        return False
    gear = least if abs(least) >= 1.0 else mean
    fault: Fault = "gear_high" if gear > 0.0 else "gear_low"
    evidence = case.evidence("gear_min", "gear_mean", "exit_speed_mps")
    case.causes.append(Cause(fault, float(max(round(abs(gear)), 1)), "gear", max(case.excess_s, 0.0), evidence))
    return True
