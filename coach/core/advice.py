"""What to do about a fault, in one plain sentence, in steps that respect the car."""

from __future__ import annotations

from typing import Final

from coach.core.values import KMH

ADVICE_STEP_M: Final = 5.0
"""Advice moves a place by at most this much a lap [m] (common practice, no source)."""

_DO: Final = {
    "brake_early": "brake {step} m later, a step a lap",
    "brake_late": "brake {step} m earlier and be slow where it is tight",
    "brake_soft": "go to the pedal harder at once, then let go slowly",
    "brake_long": "be off the brake {metres} m sooner",
    "turn_in_early": "wait {step} m longer with the turn-in",
    "turn_in_late": "turn in {step} m sooner",
    "apex_missed": "come {metres} m closer to the apex",
    "slow_middle": "carry {kmh} km/h more through the middle",
    "coasting": "no rolling: brake, then throttle, nothing between",
    "throttle_late": "go to the throttle {step} m sooner",
    "throttle_soft": "squeeze the throttle open sooner, all the way",
    "exit_narrow": "let the car run out, there are {metres} m left at the exit",
    "exit_wide": "turn more before the exit, you run {metres} m too wide",
    "gear_high": "one gear lower",
    "gear_low": "one gear higher",
}

_WHAT: Final = {
    "brake_early": "brakes {metres} m early",
    "brake_late": "brakes {metres} m late",
    "brake_soft": "brakes {percent} % softly",
    "brake_long": "brake dragged on {metres} m",
    "turn_in_early": "turns in {metres} m early",
    "turn_in_late": "turns in {metres} m late",
    "apex_missed": "misses the apex by {metres} m",
    "slow_middle": "{kmh} km/h too slow in the middle",
    "coasting": "rolls for {metres} m",
    "throttle_late": "throttle {metres} m late",
    "throttle_soft": "{percent} % of the throttle unused",
    "exit_narrow": "{metres} m of the exit unused",
    "exit_wide": "{metres} m too wide at the exit",
    "gear_high": "gear too high",
    "gear_low": "gear too low",
}


def what(fault: str, amount: float) -> str:
    """The fault with its amount, as a person says it; amounts in SI."""
    return _fill(_WHAT[fault], amount)


def to_do(fault: str, amount: float) -> str:
    """What the driver is asked to change."""
    return _fill(_DO[fault], amount)


def _fill(template: str, amount: float) -> str:
    metres = f"{amount:.0f}" if amount >= 3.0 else f"{amount:.1f}"
    return template.format(
        metres=metres,
        step=f"{min(max(round(amount), 1), ADVICE_STEP_M):.0f}",
        kmh=f"{amount * KMH:.0f}",
        percent=f"{amount * 100:.0f}",
    )
