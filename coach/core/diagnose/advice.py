"""Advice on a fault in one plain sentence, in cautious steps."""

from __future__ import annotations

from typing import Final

from coach.core.measure.passes import CornerReference, PassRecord
from coach.core.track.car import Car
from coach.core.unit_system import METRIC, Units

ADVICE_STEP_M: Final = 5.0
"""Largest step of advice per lap [m] (common practice, no source)."""

_DO: Final = {
    "brake_early": "brake {step} later, a step a lap",
    "brake_late": "brake {step} earlier, slow it down for the apex",
    "brake_soft": "hit the brakes harder, then ease off",
    "brake_long": "off the brake {length} earlier",
    "turn_in_early": "turn in {step} later",
    "turn_in_late": "turn in {step} earlier",
    "apex_missed": "clip the apex, {length} closer",
    "slow_middle": "{speed} more mid-corner",
    "coasting": "no coasting: straight from brake to throttle",
    "throttle_late": "on the throttle {step} earlier",
    "throttle_soft": "flat earlier",
    "exit_narrow": "track out, {length} of road left at the exit",
    "exit_wide": "tighten the exit, {length} too wide",
    "gear_high": "one gear down",
    "gear_low": "one gear up",
    "grip_braking": "use more brake, {percent} % of the grip is left",
    "grip_entry": "trail the brake to the apex, {percent} % of the grip is left",
    "grip_middle": "more speed mid-corner, {percent} % of the grip is left",
    "grip_exit": "more power, {percent} % of the grip is left",
}

_WHAT: Final = {
    "brake_early": "brakes {length} early",
    "brake_late": "brakes {length} late",
    "brake_soft": "{percent} % less brake pressure",
    "brake_long": "drags the brake for {length}",
    "turn_in_early": "turns in {length} early",
    "turn_in_late": "turns in {length} late",
    "apex_missed": "misses the apex by {length}",
    "slow_middle": "slow mid-corner by {speed}",
    "coasting": "coasts for {length}",
    "throttle_late": "on the throttle {length} late",
    "throttle_soft": "{percent} % less throttle",
    "exit_narrow": "{length} of road left at the exit",
    "exit_wide": "runs {length} wide at the exit",
    "gear_high": "gear too high",
    "gear_low": "gear too low",
    "grip_braking": "{percent} % of the grip left on the brakes",
    "grip_entry": "{percent} % of the grip left on entry",
    "grip_middle": "{percent} % of the grip left mid-corner",
    "grip_exit": "{percent} % of the grip left at the exit",
}


def later_by(driven: PassRecord, reference: CornerReference, car: Car, early_m: float) -> dict[str, float]:
    """Return the metres by which braking may move later next time: one step, at most the pass's reserve.

    The reserve follows from the brake point, the speed there, and the distance the car needs to slow to the reference's
    minimum speed. The profile's latest brake point limits it.
    """
    corner = reference.zone.corner
    here = driven.measures["brake_start_m"]
    room = max(early_m, 0.0)
    if corner.latest_brake_m == corner.latest_brake_m:
        room = min(room, max(corner.latest_brake_m - here, 0.0))
    base = driven.zone.start_m - reference.zone.start_m
    if driven.trace is not None and here == here:
        speed = driven.trace.at("speed_mps", here + base)
        ours = reference.measures
        needed = car.braking_m(speed, ours["min_speed_mps"], reference.slope)
        room = min(room, max(ours["min_speed_at_m"] - here - needed, 0.0))
    return {"metres": min(room, ADVICE_STEP_M)}


_DO_AT: Final = {
    "apex_missed": "clip the {nth} apex, {length} closer",
    "slow_middle": "{speed} more at the {nth} apex",
}
_WHAT_AT: Final = {
    "apex_missed": "misses the {nth} apex by {length}",
    "slow_middle": "slow by {speed} at the {nth} apex",
}
"""The same where the corner has several apexes."""
_NTH: Final = ("", "first", "second", "third", "fourth")


def apex_name(number: int, several: int) -> str:
    """Return what apex ``number`` (from 1) of ``several`` is called: "apex" where there is only one."""
    return f"{_NTH[number]} apex" if several > 1 else "apex"


def what(fault: str, amount: float, system: Units = METRIC, apex: int = 0) -> str:
    """Return the fault with its amount in words; amounts in SI, texts in ``system``."""
    return _fill(_WHAT_AT[fault] if apex else _WHAT[fault], amount, system, apex)


def to_do(fault: str, amount: float, system: Units = METRIC, apex: int = 0) -> str:
    """Return the advice to the driver."""
    return _fill(_DO_AT[fault] if apex else _DO[fault], amount, system, apex)


def _fill(template: str, amount: float, system: Units, apex: int) -> str:
    return template.format(
        length=system.length_text(amount, 0 if amount * system.per_m >= 3.0 else 1),
        step=system.length_text(min(max(round(amount), 1), ADVICE_STEP_M)),
        speed=system.speed_text(amount),
        percent=f"{amount * 100:.0f}",
        nth=_NTH[apex],
    )
