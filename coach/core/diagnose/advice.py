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
    "brake_late": "brake {step} earlier and be slow where it is tight",
    "brake_soft": "go to the pedal harder at once, then let go slowly",
    "brake_long": "be off the brake {length} sooner",
    "turn_in_early": "wait {step} longer with the turn-in",
    "turn_in_late": "turn in {step} sooner",
    "apex_missed": "come {length} closer to the apex",
    "slow_middle": "carry {speed} more through the middle",
    "coasting": "no rolling: brake, then throttle, nothing between",
    "throttle_late": "go to the throttle {step} sooner",
    "throttle_soft": "squeeze the throttle open sooner, all the way",
    "exit_narrow": "let the car run out, there are {length} left at the exit",
    "exit_wide": "turn more before the exit, you run {length} too wide",
    "gear_high": "one gear lower",
    "gear_low": "one gear higher",
}

_WHAT: Final = {
    "brake_early": "brakes {length} early",
    "brake_late": "brakes {length} late",
    "brake_soft": "brakes {percent} % softly",
    "brake_long": "brake dragged on {length}",
    "turn_in_early": "turns in {length} early",
    "turn_in_late": "turns in {length} late",
    "apex_missed": "misses the apex by {length}",
    "slow_middle": "{speed} too slow in the middle",
    "coasting": "rolls for {length}",
    "throttle_late": "throttle {length} late",
    "throttle_soft": "{percent} % of the throttle unused",
    "exit_narrow": "{length} of the exit unused",
    "exit_wide": "{length} too wide at the exit",
    "gear_high": "gear too high",
    "gear_low": "gear too low",
}


def later_by(driven: PassRecord, reference: CornerReference, car: Car, early_m: float) -> dict[str, float]:
    """Metres by which braking may be moved later next time: a step, never more than the pass had in hand.

    What the pass had in hand: its place of braking, its speed there, and the distance in which the car has shown to
    slow down to the reference's lowest speed. The profile's latest brake point bounds it.
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


def what(fault: str, amount: float, system: Units = METRIC) -> str:
    """Return the fault with its amount in words; amounts in SI, texts in ``system``."""
    return _fill(_WHAT[fault], amount, system)


def to_do(fault: str, amount: float, system: Units = METRIC) -> str:
    """Return the advice to the driver."""
    return _fill(_DO[fault], amount, system)


def _fill(template: str, amount: float, system: Units) -> str:
    return template.format(
        length=system.length_text(amount, 0 if amount * system.per_m >= 3.0 else 1),
        step=system.length_text(min(max(round(amount), 1), ADVICE_STEP_M)),
        speed=system.speed_text(amount),
        percent=f"{amount * 100:.0f}",
    )
