"""The fifteen faults as commands of the transient simulator's driver."""

from __future__ import annotations

from typing import Final

import numpy as np
from transient_plan import Corner, Intent
from transient_road import HALF_WIDTH_M, Floats, Road

FAULTS: Final[dict[str, tuple[float, float]]] = {
    "brake_early": (12.0, 30.0),
    "brake_soft": (0.2, 0.4),
    "slow_middle": (1.0, 3.0),
    "throttle_late": (10.0, 30.0),
    "coasting": (15.0, 35.0),
    "exit_narrow": (2.0, 4.0),
    "brake_late": (8.0, 16.0),
    "brake_long": (12.0, 25.0),
    "turn_in_early": (12.0, 22.0),
    "turn_in_late": (10.0, 18.0),
    "apex_missed": (1.5, 3.0),
    "throttle_soft": (0.25, 0.5),
    "exit_wide": (1.0, 2.0),
    "gear_high": (1.0, 1.0),
    "gear_low": (1.0, 1.0),
}
"""Amounts: metres, m/s, shares of the pedal, gears."""
LIFTED: Final = 2.0
"""A lift before braking is this many times as long as a roll in the corner."""
EDGE_M: Final = HALF_WIDTH_M - 0.9
"""As far from the middle as a driver means to put the middle of the car [m]."""


def bump(at: Floats, middle: float, half: float) -> Floats:
    """1 at ``middle``, 0 beyond ``half``, smooth between."""
    out: Floats = 0.5 + 0.5 * np.cos(np.pi * np.clip((at - middle) / half, -1.0, 1.0))
    return out


def commit(road: Road, intent: Intent, lane: int, j: int, c: Corner, fault: str, amount: float, other: bool) -> float:
    """Put one fault into a lane; ``other`` is a second way to do it where there is one. The amount as driven."""
    at = np.arange(road.n, dtype=float)
    x = amount / road.step_m
    half = (40.0 + 1.2 * c.speed) / road.step_m
    line = intent.offset[lane]
    if fault == "brake_early":
        intent.moved[lane, j] -= amount
        intent.caught[lane, j] = 0.0
    elif fault == "brake_late":
        intent.moved[lane, j] += amount
        intent.caught[lane, j] = 0.0
        intent.late[lane, j] += amount
    elif fault == "brake_soft":
        intent.braking[lane, max(c.brake - 120, 0) : c.slowest] *= 1.0 - amount
    elif fault == "brake_long":
        intent.dragged.append((lane, j, round(x)))
    elif fault == "slow_middle":
        wide = max(0.7 * (c.end - c.turn_in), 30.0 / road.step_m)
        intent.limit[lane] *= 1.0 - amount / c.speed * bump(at, c.slowest, wide)
    elif fault == "coasting" and other:
        amount *= LIFTED
        intent.throttle[lane, max(c.brake - round(LIFTED * x), 0) : c.brake] = 0.0
    elif fault == "coasting":
        intent.idle[lane, c.slowest - round(x) : c.slowest] = True
        intent.throttle[lane, c.slowest - round(x) : c.slowest] = 0.0
    elif fault == "throttle_late":
        intent.late[lane, j] += amount
        if other:
            intent.throttle[lane, c.drive : c.drive + round(x)] = 0.0
    elif fault == "throttle_soft":
        intent.throttle[lane, c.slowest : c.end + round(60.0 / road.step_m)] = 1.0 - amount
    elif fault == "exit_narrow":
        line += c.sign * amount * bump(at, c.end, half)
    elif fault == "exit_wide":
        line -= c.sign * amount * bump(at, c.end, half)
        # who sees the edge of the road lifts
        intent.throttle[lane, c.drive : c.end + round(10.0 / road.step_m)] = 0.6
    elif fault == "apex_missed":
        line -= c.sign * amount * bump(at, 0.5 * (c.turn_in + c.end), half)
    elif fault in ("turn_in_early", "turn_in_late"):
        _turn_in(road, line, c, amount if fault == "turn_in_early" else -amount)
    elif fault in ("gear_high", "gear_low"):
        intent.gear[lane, c.brake + round(20.0 / road.step_m) : c.end] = amount if fault == "gear_high" else -amount
    else:
        raise ValueError(fault)
    np.clip(line, -EDGE_M, EDGE_M, out=line)
    return amount


def _turn_in(road: Road, line: Floats, c: Corner, early: float) -> None:
    """The wheel goes over ``early`` metres sooner: inside on the way in, and wide where the corner is left."""
    at = np.arange(road.n, dtype=float)
    # turned sooner by a length, the car is inside by that length times the sine of the angle turned
    heading = road.heading[c.turn_in : c.end] + 0.0
    turned = float(np.abs(heading[max(len(heading) // 3, 1)] - heading[0]))
    inside = early * np.sin(min(turned, 0.25))
    long = max(c.end - c.turn_in, round(30.0 / road.step_m))
    half = 0.5 * long + 15.0 / road.step_m
    line += c.sign * inside * bump(at, c.turn_in + 0.25 * long, half)
    line -= c.sign * 0.7 * inside * bump(at, c.end + 0.1 * long, half)
