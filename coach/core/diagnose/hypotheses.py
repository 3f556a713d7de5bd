"""The faults as rows: which control of the driver each changes, at which amounts it is simulated, and its unit.

A row's ``change`` alters one drive of the forward model by an amount. A new fault is a new row. A fault that can be
driven in two ways has two rows. Shapes are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.diagnose.forward import FREE, ROLLING_MPS2, Drives, Forward
from coach.core.values import Fault, Unit

Change = Callable[[Forward, Drives, int, float], None]


@dataclass(frozen=True)
class Hypothesis:
    """One way to make a fault; ``amounts`` are those at which it is simulated, in ``unit``."""

    fault: Fault
    unit: Unit
    amounts: tuple[float, ...]
    change: Change
    shown: tuple[str, ...]
    """Measures that tell a person of it."""
    sign: float = 0.0
    """The amount is the gap of the first of them, times this sign; 0: as simulated."""


def _bump(f: Forward, middle: float, half: float) -> Floats:
    """Return 1 at node ``middle``, 0 beyond ``half`` metres, smooth between."""
    out: Floats = 0.5 + 0.5 * np.cos(np.pi * np.clip((np.arange(len(f.u)) - middle) * f.step / half, -1.0, 1.0))
    return out


def _nodes(f: Forward, metres: float) -> int:
    return round(metres / f.step)


def brake_early(f: Forward, d: Drives, k: int, x: float) -> None:
    """Brake the same, sooner, then wait at the lowest speed."""
    moved = np.interp(np.minimum(f.u + x, f.u[f.slow]), f.u, f.energy)
    way_in = slice(f.start - _nodes(f, x) if f.start > _nodes(f, x) else 0, f.slow + 1)
    d.cap[k, way_in] = np.minimum(d.cap[k, way_in], moved[way_in])


def brake_late(f: Forward, d: Drives, k: int, x: float) -> None:
    """Brake the same, later: slowest later, and the throttle as much later."""
    moved = np.interp(f.u - x, f.u, f.energy)
    to = f.slow + _nodes(f, x)
    d.cap[k, f.start : to] = np.where(f.u[f.start : to] < f.u[f.start] + x, FREE, moved[f.start : to])
    d.decel[k, f.start : to] = np.interp(f.u[f.start : to] - x, f.u, f.own_decel)
    _hold(f, d, k, x)


def brake_wide(f: Forward, d: Drives, k: int, x: float) -> None:
    """Brake later and run wide: brake on hard until the car turns."""
    _brake_on(f, d, k, x, 1.3)


def brake_over(f: Forward, d: Drives, k: int, x: float) -> None:
    """Brake later and go on braking hard far into the corner."""
    _brake_on(f, d, k, x, 1.8)


def _brake_on(f: Forward, d: Drives, k: int, x: float, until: float) -> None:
    """Brake ``x`` m later, and on until ``until`` times that beyond the slowest place."""
    brake_late(f, d, k, x)
    on = slice(f.slow - _nodes(f, 0.3 * x), f.slow + _nodes(f, until * x))
    d.brake[k, on] = 0.8 * f.own_decel[f.start + 3]
    d.throttle[k, on] = 0.0


def brake_soft(f: Forward, d: Drives, k: int, x: float) -> None:
    """Reach the same speeds with a softer brake, begun sooner."""
    d.decel[k, : f.slow] *= 1.0 - x
    floor = f.energy[f.slow]
    d.cap[k, f.start : f.slow] = floor + (1.0 - x) * np.maximum(f.energy[f.start : f.slow] - floor, 0.0)


def brake_long(f: Forward, d: Drives, k: int, x: float) -> None:
    """Drag the brake on where it should be released."""
    begin = min(f.release, f.slow)
    _drag(f, d, k, slice(begin, begin + _nodes(f, x)))


def brake_dragged(f: Forward, d: Drives, k: int, x: float) -> None:
    """Drag the brake past the slowest place."""
    half = _nodes(f, 0.5 * x)
    _drag(f, d, k, slice(max(f.slow - half, 0), f.slow + half))


def _drag(f: Forward, d: Drives, k: int, on: slice) -> None:
    d.brake[k, on] = 0.25 * f.per_pedal
    d.throttle[k, on] = 0.0


def slow_middle(f: Forward, d: Drives, k: int, x: float) -> None:
    """Slower around the slowest place, soon made up."""
    _slow(f, d, k, x, 0.0)


def slow_on_entry(f: Forward, d: Drives, k: int, x: float) -> None:
    """Slower before the slowest place, soon made up."""
    _slow(f, d, k, x, 0.5)


def _slow(f: Forward, d: Drives, k: int, x: float, before: float) -> None:
    """Slow down ``before`` (share of the slow stretch's half) the slowest place."""
    wide = max(0.35 * (f.end - f.turn) * f.step, 30.0)
    factor = (1.0 - x / f.v[f.slow] * _bump(f, f.slow - _nodes(f, before * wide), wide)) ** 2
    d.cap[k] = np.minimum(d.cap[k], np.where(factor < 1.0, f.energy * factor, FREE))


def _hold(f: Forward, d: Drives, k: int, x: float) -> None:
    """Hold the throttle until later."""
    to = f.drive_from + _nodes(f, x)
    d.cap[k, f.slow : to] = np.minimum(d.cap[k, f.slow : to], f.energy[f.drive_from])


def throttle_late(f: Forward, d: Drives, k: int, x: float) -> None:
    """No throttle at all until later."""
    d.throttle[k, f.drive_from : f.drive_from + _nodes(f, x)] = 0.0


def throttle_soft(f: Forward, d: Drives, k: int, x: float) -> None:
    """Less than full throttle on the way out."""
    d.throttle[k, f.slow : f.end + _nodes(f, 60.0)] = 1.0 - x


def roll(f: Forward, d: Drives, k: int, x: float) -> None:
    """Off the brake too soon: the rest of the way rolled."""
    begin = max(f.slow - _nodes(f, x), 0)
    d.decel[k, begin : f.slow] = ROLLING_MPS2 + 2.0 * f.car.drag_pm * f.energy[begin : f.slow]
    d.cap[k, begin : f.slow] = FREE
    d.throttle[k, begin : f.slow] = 0.0


def roll_on(f: Forward, d: Drives, k: int, x: float) -> None:
    """Off the brake too soon, and late on the throttle."""
    roll(f, d, k, 0.5 * x)
    throttle_late(f, d, k, 0.5 * x)


def lift(f: Forward, d: Drives, k: int, x: float) -> None:
    """Off the throttle long before the brake."""
    d.throttle[k, max(f.start - _nodes(f, x), 0) : f.start] = 0.0


def _beside(f: Forward, from_m: float, full_m: float, until_m: float, back_m: float) -> Floats:
    """Return a path that leaves the line at ``from_m``, is 1 m beside it from ``full_m`` to ``until_m``, and is back at
    ``back_m``.
    """
    out = np.clip((f.u - from_m) / max(full_m - from_m, 1.0), 0.0, 1.0)
    back = np.clip((back_m - f.u) / max(back_m - until_m, 1.0), 0.0, 1.0)
    shape: Floats = 0.5 - 0.5 * np.cos(np.pi * np.minimum(out, back))
    return shape


def _way(f: Forward) -> tuple[float, float, float, float, float]:
    """Return turn-in, apex, exit, end [m] and the length in which a driver changes his line."""
    turn, apex, exit_, end = (float(f.u[i]) for i in (f.turn, f.apex, f.exit, f.end))
    return turn, apex, exit_, end, 15.0 + 0.8 * float(f.v[f.slow])


def _at_exit(f: Forward, back: float) -> Floats:
    """Return a path 1 m beside the line from exit to end, back after ``back`` changes of line."""
    _, apex, exit_, end, long = _way(f)
    return _beside(f, min(apex, exit_ - long), exit_, end, end + back * long)


def _at_end(f: Forward, back: float) -> Floats:
    """Return a path 1 m beside the line where the corner ends, back after ``back`` changes of line."""
    _, _, exit_, end, long = _way(f)
    return _beside(f, min(exit_, end - long), end, end + 0.5 * long, end + back * long)


def exit_narrow(f: Forward, d: Drives, k: int, x: float) -> None:
    """Inside the reference at the exit, back on the straight."""
    d.offset[k] -= x * _at_exit(f, 4.0)


def end_narrow(f: Forward, d: Drives, k: int, x: float) -> None:
    """Turn on for longer: inside the reference where the corner ends."""
    d.offset[k] -= x * _at_end(f, 4.0)


def exit_wide(f: Forward, d: Drives, k: int, x: float) -> None:
    """Outside the reference at the exit."""
    d.offset[k] += x * _at_exit(f, 2.0)


def end_wide(f: Forward, d: Drives, k: int, x: float) -> None:
    """Wide where the corner ends, with less throttle for it."""
    d.offset[k] += x * _at_end(f, 2.0)
    d.throttle[k, f.drive_from : f.end + _nodes(f, 30.0)] = 0.65


def apex_missed(f: Forward, d: Drives, k: int, x: float) -> None:
    """Outside around the apex, back soon."""
    _, apex, _, _, long = _way(f)
    d.offset[k] += x * _beside(f, apex - 1.2 * long, apex, apex, apex + 1.2 * long)


def middle_missed(f: Forward, d: Drives, k: int, x: float) -> None:
    """Outside from turn-in to exit."""
    turn, apex, _, end, long = _way(f)
    d.offset[k] += x * _beside(f, min(turn, apex - long), apex, apex, max(end, apex + long))


def turn_in_early(f: Forward, d: Drives, k: int, x: float) -> None:
    """Inside on the way in, back at the apex: the corner tightens."""
    turn, apex, _, _, long = _way(f)
    middle = max(0.5 * (turn + apex), apex - long)
    d.offset[k] -= _turned(f, x) * _beside(f, min(turn, middle - long), middle, middle, middle + long)


def turned_early(f: Forward, d: Drives, k: int, x: float) -> None:
    """Inside on the way in, and wide for it on the way out."""
    turn_in_early(f, d, k, x)
    _, apex, _, end, long = _way(f)
    d.offset[k] += 0.7 * _turned(f, x) * _beside(f, apex, max(end, apex + long), end + 0.5 * long, end + 2.0 * long)


def _turned(f: Forward, x: float) -> float:
    """Return how far beside the line a turn-in ``x`` m away leads [m]."""
    angle = float(np.abs(f.bend[f.turn : f.apex + 1]).sum() * f.step)
    return x * float(np.sin(min(0.5 * angle, 0.25)))


def turn_in_late(f: Forward, d: Drives, k: int, x: float) -> None:
    """Outside on the way in, tighter for it at the apex."""
    turn_in_early(f, d, k, -x)


def turned_late(f: Forward, d: Drives, k: int, x: float) -> None:
    """Outside on the way in, and inside for it on the way out."""
    turned_early(f, d, k, -x)


def gear_high(f: Forward, d: Drives, k: int, x: float) -> None:
    """Higher gear: less engine on the way out."""
    d.gear[k, f.start + _nodes(f, 20.0) : f.end] = x
    d.throttle[k, f.slow : f.end + _nodes(f, 30.0)] = 0.7


def gear_low(f: Forward, d: Drives, k: int, x: float) -> None:
    """Lower gear: an engine at its limit, and shifts."""
    d.gear[k, f.start + _nodes(f, 20.0) : f.end] = -x
    d.throttle[k, f.slow : f.end + _nodes(f, 30.0)] = 0.7


_IDLE: Final = ("idle_before_m", "coast_s", "idle_after_m")
_PATH: Final = ("entry_line_m", "apex_line_m", "exit_line_m", "turn_in_m")
HYPOTHESES: Final[tuple[Hypothesis, ...]] = (
    Hypothesis("brake_early", "m", (8.0, 16.0, 28.0), brake_early, ("brake_start_m", "brake_peak"), -1.0),
    Hypothesis("brake_late", "m", (6.0, 12.0), brake_late, ("brake_start_m",), 1.0),
    Hypothesis("brake_late", "m", (6.0, 12.0), brake_wide, ("brake_start_m",), 1.0),
    Hypothesis("brake_late", "m", (6.0, 12.0), brake_over, ("brake_start_m",), 1.0),
    Hypothesis("brake_soft", "share", (0.15, 0.3), brake_soft, ("brake_peak",)),
    Hypothesis("brake_long", "m", (10.0, 20.0), brake_long, ("brake_release_m", "min_speed_mps"), 1.0),
    Hypothesis("brake_long", "m", (10.0, 20.0), brake_dragged, ("brake_release_m", "min_speed_mps"), 1.0),
    Hypothesis("slow_middle", "m/s", (1.0, 2.5, 6.0), slow_middle, ("min_speed_mps", "min_speed_at_m"), -1.0),
    Hypothesis("slow_middle", "m/s", (1.0, 2.5, 6.0), slow_on_entry, ("min_speed_mps", "min_speed_at_m"), -1.0),
    Hypothesis(
        "throttle_late",
        "m",
        (8.0, 16.0, 28.0),
        throttle_late,
        ("drive_late_m", "throttle_start_m", "exit_speed_mps"),
        1.0,
    ),
    Hypothesis(
        "throttle_soft", "share", (0.2, 0.4), throttle_soft, ("drive_share", "full_throttle_m", "exit_speed_mps"), 1.0
    ),
    Hypothesis("coasting", "m", (12.0, 20.0, 30.0, 45.0), roll, _IDLE, 1.0),
    Hypothesis("coasting", "m", (12.0, 25.0), roll_on, _IDLE, 1.0),
    Hypothesis("coasting", "m", (20.0, 40.0, 65.0), lift, _IDLE, 1.0),
    Hypothesis("turn_in_early", "m", (8.0, 16.0), turn_in_early, _PATH),
    Hypothesis("turn_in_late", "m", (8.0, 16.0), turn_in_late, _PATH),
    Hypothesis("turn_in_early", "m", (8.0, 16.0), turned_early, _PATH),
    Hypothesis("turn_in_late", "m", (8.0, 16.0), turned_late, _PATH),
    Hypothesis("apex_missed", "m", (1.0, 2.5), apex_missed, _PATH),
    Hypothesis("apex_missed", "m", (1.0, 2.5), middle_missed, _PATH),
    Hypothesis("exit_narrow", "m", (1.5, 3.0), exit_narrow, _PATH),
    Hypothesis("exit_narrow", "m", (1.5, 3.0), end_narrow, _PATH),
    Hypothesis("exit_wide", "m", (1.0, 2.0), exit_wide, _PATH),
    Hypothesis("exit_wide", "m", (1.0, 2.0), end_wide, _PATH),
    Hypothesis("gear_high", "gear", (1.0,), gear_high, ("gear_min", "gear_mean", "exit_speed_mps")),
    Hypothesis("gear_low", "gear", (1.0,), gear_low, ("gear_min", "gear_mean", "exit_speed_mps")),
)
SIMULATED: Final[frozenset[Fault]] = frozenset(h.fault for h in HYPOTHESES)
"""The faults that have a row."""
