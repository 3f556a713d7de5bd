"""Mid-corner and exit causes: slow mid-corner, dragged brake, late or soft throttle, gear."""

from __future__ import annotations

from typing import Final

import numpy as np

from coach.core.diagnose.case import Case, Cause
from coach.core.diagnose.entry import metres_for
from coach.core.values import Fault

LINE: Final = ("turn_in_early", "turn_in_late", "apex_missed", "exit_narrow", "exit_wide")
GEAR: Final = 0.6
LIGHT: Final = 2.0
HELD: Final = 0.25
SAME_MPS: Final = 0.1
SLOWER: Final = 0.03
SLOWER_MPS: Final = 0.4
"""Least drop as a share of the minimum speed, at least the measurable minimum."""


def find_mid_corner_causes(case: Case) -> None:
    """Add causes around the slowest point."""
    if case.has("brake_late", "coasting") or case.has(*LINE):
        return
    drop = case.drop_mps
    longer = case.excess_gap("brake_release_m")
    if (
        longer > 1.3 * case.width("brake_release_m")
        and case.excess_gap("brake_start_m") > -0.5 * longer
        # a slower mid-corner needs a few metres more of full braking, not many of light braking
        and longer > LIGHT * metres_for(case, drop)
        and drop > 0.6 * case.width("min_speed_mps")
        and not case.has("brake_soft")
    ):
        evidence = case.evidence("brake_release_m", "min_speed_mps")
        # the recovery of speed depends on unused grip: only the pass itself shows it
        lost = max(case.excess_in(("middle", "exit", "straight")), 0.0)
        case.causes.append(Cause("brake_long", longer, "m", lost, evidence, case.tolerance_ratio("brake_release_m")))
        return
    if case.apexes:
        _slow_apex(case)
        return
    least = min(case.width("min_speed_mps"), max(SLOWER * case.reference.measures["min_speed_mps"], SLOWER_MPS))
    # if the path cost most of the speed, the line is the cause
    if drop > least and not _waits(case) and case.unused_mps > 0.5 * drop:
        evidence = case.evidence("min_speed_mps", "min_speed_at_m")
        case.causes.append(Cause("slow_middle", drop, "m/s", case.what_if.slower(drop), evidence, drop / least))


def _slow_apex(case: Case) -> None:
    """Add the one apex of several at which the speed lacks most: the others may lack some of it for that.

    What the other apexes give back or take no counterfactual knows: the cost is what the pass lost.
    """
    drops = {n: max(-case.excess_gap(f"apex_{n}_speed_mps"), 0.0) for n in case.apexes}
    apex = max(drops, key=lambda n: (drops[n], -n))
    name = f"apex_{apex}_speed_mps"
    least = min(case.width(name), max(SLOWER * case.reference.measures[name], SLOWER_MPS))
    last = apex == case.apexes[-1]
    if drops[apex] > least and not (last and _waits(case)) and case.unused_mps > 0.5 * drops[apex]:
        evidence = case.evidence(*(f"apex_{n}_speed_mps" for n in case.apexes), f"apex_{apex}_speed_at_m")
        lost = max(case.excess_s, 0.0)
        case.causes.append(Cause("slow_middle", drops[apex], "m/s", lost, evidence, drops[apex] / least, apex))


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
    if not late > case.width("drive_late_m"):
        # a lift where the reference never lifts has no later opening, only metres of throttle given back
        late = float(np.fmax(late, case.excess_gap("lifted_m")))
    # coasting before a late throttle happens in the gear of a lower speed
    if not (_waits(case) and case.beyond("idle_after_m", 1.0)) and _gear(case):
        return
    if case.wide:
        # no more throttle where the car already runs out of road
        return
    share = case.excess_gap("drive_share")
    # a lower gear at a lower speed needs less throttle
    if share > case.width("drive_share") and not (case.has("slow_middle") and case.driven.gaps["gear_min"] <= -1.0):
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
    if not (abs(least) >= 1.0 or abs(mean) >= GEAR) or case.tolerance_ratio("min_speed_mps") > 1.0:
        return False
    # a gear that is only touched, because the speed was a little lower or higher, is no choice
    if case.causes or (abs(mean) < HELD and abs(case.excess_gap("min_speed_mps")) > SAME_MPS):
        return False
    gear = least if abs(least) >= 1.0 else mean
    fault: Fault = "gear_high" if gear > 0.0 else "gear_low"
    evidence = case.evidence("gear_min", "gear_mean", "exit_speed_mps")
    case.causes.append(Cause(fault, float(max(round(abs(gear)), 1)), "gear", max(case.excess_s, 0.0), evidence))
    return True
