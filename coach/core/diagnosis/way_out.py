"""Causes in the middle and on the way out: too slow a middle, a dragged brake, a late or soft throttle, the gear."""

from __future__ import annotations

from typing import Final

import numpy as np

from coach.core.diagnosis.case import Case, Cause

LINE: Final = ("turn_in_early", "turn_in_late", "apex_missed", "exit_narrow", "exit_wide")
GEAR: Final = 0.6


def middle(case: Case) -> None:
    """Add what went wrong around the slowest point."""
    if case.has("brake_late", "coasting") or case.has(*LINE):
        return
    drop = case.drop_mps
    longer = case.g("brake_release_m")
    if (
        longer > case.width("brake_release_m")
        and case.g("brake_start_m") > -0.5 * longer
        and case.g("min_speed_at_m") > 0.3 * longer
        and drop > 0.4 * case.width("min_speed_mps")
        and not case.has("brake_soft")
    ):
        evidence = case.evidence("brake_release_m", "min_speed_mps")
        case.causes.append(Cause("brake_long", longer, "m", case.what_if.slower(drop), evidence, case.sure("brake_release_m")))
        return
    late = case.g("drive_late_m")
    start = case.reference.measures["throttle_start_m"]
    at = case.driven.measures["min_speed_at_m"]
    waits = late > case.width("drive_late_m") and at > start + 3.0
    if case.beyond("min_speed_mps", -1.0) and not waits:
        evidence = case.evidence("min_speed_mps", "min_speed_at_m")
        case.causes.append(Cause("slow_middle", drop, "m/s", case.what_if.slower(drop), evidence, case.sure("min_speed_mps")))


def way_out(case: Case) -> None:
    """Add what went wrong from the throttle on."""
    if case.has("brake_late", "coasting") or case.has(*LINE):
        return
    share = case.g("drive_share")
    # a lift where the reference never lifts has no later opening, only metres without a pedal
    late = float(np.fmax(case.g("drive_late_m"), case.g("idle_after_m")))
    if share > case.width("drive_share"):
        evidence = case.evidence("drive_share", "full_throttle_m", "exit_speed_mps")
        case.causes.append(Cause("throttle_soft", share, "share", case.what_if.driving_softer(share), evidence, case.sure("drive_share")))
    elif late > case.width("drive_late_m") and not case.has("brake_long"):
        evidence = case.evidence("throttle_start_m", "drive_late_m", "exit_speed_mps")
        case.causes.append(Cause("throttle_late", late, "m", case.what_if.driving_later(late), evidence, late / case.width("drive_late_m")))
    gear = case.driven.gaps.get("gear_mean", float("nan"))
    if abs(gear) >= GEAR and not case.causes:
        fault = "gear_high" if gear > 0.0 else "gear_low"
        amount = float(max(round(abs(gear)), 1))
        case.causes.append(
            Cause(fault, amount, "gear", max(case.excess_s, 0.0), case.evidence("gear_min", "exit_speed_mps"))  # type: ignore[arg-type]
        )
