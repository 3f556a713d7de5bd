"""Simulates each fault: its changes to line and pedals around one corner."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline

from feeds.frame import Floats
from feeds.practice.circuit import bump, ease, plateau
from feeds.practice.corner_places import Places
from feeds.practice.faultless import Faultless
from feeds.practice.faults import NEEDS_BRAKE, Habit
from feeds.practice.speed_profile import Demand

DRAGGED = 0.12  # pedal position of a dragged brake
LINE_MIN_M, LINE_MIN_S = 45.0, 1.6  # shortest line change: the wheel turns at a finite rate


STRAIGHT_M = 30.0
LIFT_ROOM_M = 150.0
WAVE_M = 60.0
SLIDE_PER_M = 0.006
OFF_LINE, OFF_LINE_FREE_M, OFF_LINE_MOST_M = 0.05, 0.3, 2.5
INSIDE, MORE_INSIDE = 0.55, 0.15  # shares of a bend's radius


class StretchPlan:
    """The stretch a driver plans ahead: nodes of the run, the line over them and the demand.

    ``first`` is the run's node number of the stretch's first node (lap * m + node of the circuit).
    """

    def __init__(self, base: Faultless, first: int, count: int) -> None:
        self.base = base
        self.first = first
        self.step = base.circuit.step_m
        self.nodes = np.arange(first, first + count)
        m = len(base.circuit)
        self.offset_m: Floats = base.offset_m[self.nodes % m].copy()
        self.at_m: Floats = np.asarray(self.nodes * self.step, dtype=np.float64)
        self.demand = Demand.usual(count)
        self.grip: Floats = np.ones(count)

    def dirt(self) -> Floats:
        """Return factor on the grip, (n,): the road is dirty off the racing line."""
        beside = np.abs(self.offset_m - self.base.offset_m[self.nodes % len(self.base.circuit)])
        return 1.0 - OFF_LINE * np.clip(beside - OFF_LINE_FREE_M, 0.0, OFF_LINE_MOST_M)

    def unfold(self) -> None:
        """Pull the line back where several changes together bring it too near the centre of a bend.

        There the path would fold over: its nodes crowd and its curvature diverges. Up to ``INSIDE`` of the radius
        nothing changes, so a single fault keeps its amount.
        """
        circuit = self.base.circuit
        curvature = circuit.at(circuit.curvature_pm, self.at_m)
        radius = 1.0 / np.maximum(np.abs(curvature), 1e-6)
        toward = np.sign(curvature) * self.offset_m
        over, room = toward - INSIDE * radius, MORE_INSIDE * radius
        self.offset_m = np.where(over > 0.0, self.offset_m - np.sign(curvature) * (over - room * np.tanh(over / room)),
                                 self.offset_m)  # fmt: skip

    def index(self, place_m: float) -> int:
        """Return the index in the stretch of a place [m along the run], kept inside."""
        return int(np.clip(round(place_m / self.step) - self.first, 0, len(self.nodes) - 1))

    def zone(self, start_m: float, stop_m: float) -> slice:
        """Return the indices from one place to another, at least one long."""
        a = self.index(start_m)
        return slice(a, max(self.index(stop_m), a + 1))


def reach(c: Places) -> float:
    """Return the least length [m] of a line change at a corner."""
    return max(LINE_MIN_M, LINE_MIN_S * c.slowest_mps)


def applies(base: Faultless, corner: int, fault: str) -> bool:
    """Return whether a fault is possible at a corner (index).

    A brake fault needs a braked corner, a turn-in fault a straight before it, an exit fault a straight after it.
    """
    corners = base.corners
    here, before, after = corners[corner], corners[corner - 1], corners[(corner + 1) % len(corners)]
    lap = base.circuit.length_m
    if fault in NEEDS_BRAKE:
        return here.braked
    if fault == "lift":
        return _straight(here, before, lap) > LIFT_ROOM_M
    if fault in ("turn_in_early", "turn_in_late"):
        return (here.turn_in_m - before.end_m) % lap > STRAIGHT_M
    if fault in ("exit_narrow", "exit_wide"):
        return (after.turn_in_m - here.end_m) % lap > STRAIGHT_M
    return True


def _straight(here: Places, before: Places, lap: float) -> float:
    """Return the metres at full throttle before a corner."""
    return ((here.brake_m if here.braked else here.turn_in_m) - before.exit_m) % lap


def commit(plan: StretchPlan, corner: Places, lap_m: float, habit: Habit) -> None:
    """Drive ``habit`` at ``corner`` in the lap that starts at ``lap_m`` of the run: change line and demand.

    Check ``applies`` first.
    """
    _DOERS[habit.fault](plan, corner, lap_m, habit.amount)


def _brake_early(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    # The same deceleration starts earlier: find where the baseline braking has this lower speed.
    base, step = plan.base, plan.step
    m = len(base.circuit)
    early = (c.brake_m - amount) / step
    nodes = np.arange(round(c.brake_m / step) - 3, round(c.slowest_m / step) + 1)
    speed = float(base.driven.speed_mps[round(early) % m])
    slower = nodes[base.limit_mps[nodes % m] <= speed]
    shift = int((slower[0] if len(slower) else nodes[-1]) - round(early))
    start = max(c.brake_m - amount - 30.0, c.before_m + 5.0)
    plan.demand.early.append((plan.index(lap + start), plan.index(lap + max(c.release_m, c.slowest_m)), shift))


def _brake_late(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    # Still too fast at turn-in: the car runs past the apex, and the throttle must wait.
    plan.demand.no_brake[plan.zone(lap + c.brake_m - 40.0, lap + c.brake_m + amount)] = 1.0
    carried = min(0.5 * amount, 8.0)
    _carry(plan, c, lap, carried, c.apex_m - 5.0, max(c.end_m, c.apex_m + 1.2 * reach(c)) + 2.0 * carried)
    # the driver still brakes where others accelerate, and is slower than they on release
    _brake_long(plan, c, lap, amount)
    _throttle_late(plan, c, lap, 1.5 * amount)


def _slide(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    """Simulate understeer: overloaded front tyres grip less, and the driver waits for them."""
    half = max(reach(c), 0.5 * (c.end_m - c.turn_in_m))
    loss = min(SLIDE_PER_M * amount, 0.12)
    plan.demand.speed *= 1.0 - loss * bump(plan.at_m, lap + c.apex_m, half)


def _brake_soft(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    start = max(c.before_m + 10.0, c.brake_m - 250.0)
    plan.demand.brake[plan.zone(lap + start, lap + max(c.release_m, c.slowest_m))] = 1.0 - amount


def _brake_long(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    zone = plan.zone(lap + c.release_m, lap + c.release_m + amount)
    plan.demand.pedal[zone] = np.minimum(plan.demand.pedal[zone], -DRAGGED)


def _carry(plan: StretchPlan, c: Places, lap: float, metres: float, down: float, fall: float) -> None:
    """Shift the entry by ``metres`` (negative: earlier): the same arc, moved along the approach.

    The line comes back between the places ``down`` and ``fall``. On a straight approach nothing changes until the
    turn-in, which is then that much later.
    """
    circuit, at = plan.base.circuit, plan.at_m
    entry = max(c.turn_in_m - 1.5 * reach(c), c.before_m)
    window = plateau(at - lap, entry, max(c.turn_in_m - 15.0, entry + 15.0), down, fall)
    points = circuit.place(at, plan.offset_m)[:, :2]
    near = np.array([c.turn_in_m - 3.0, c.turn_in_m])
    way = np.diff(circuit.place(near, circuit.at(plan.base.offset_m, near))[:, :2], axis=0)[0]
    moved = points + metres * window[:, None] * way / np.hypot(*way)
    station, offset = circuit.project(moved, at)
    plan.offset_m = CubicSpline(station, offset)(at) if np.all(np.diff(station) > 0.05) else plan.offset_m


def _caught(c: Places, amount: float) -> float:
    """Return where the driver has corrected a wrong turn-in: at the apex, or after it for a large error."""
    return max(c.apex_m, c.turn_in_m + reach(c)) + 2.5 * amount


def _turn_in_early(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    # The apex comes too early, so the car runs wide and the throttle must wait.
    _carry(plan, c, lap, -amount, c.turn_in_m + 5.0, _caught(c, amount))
    _exit(plan, c, lap, min(0.04 * amount, 0.6))
    _throttle_late(plan, c, lap, 1.5 * amount)
    _slide(plan, c, lap, amount)


def _turn_in_late(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    _carry(plan, c, lap, amount, c.turn_in_m + 5.0, _caught(c, amount))
    _slide(plan, c, lap, amount)


def _apex_missed(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    half = max(reach(c), 0.5 * (c.end_m - c.turn_in_m))
    plan.offset_m -= c.sign * amount * bump(plan.at_m, lap + c.apex_m, half)


def _slow_middle(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    factor = max(0.4, 1.0 - amount / c.slowest_mps)
    half = max(LINE_MIN_M, 0.5 * (c.end_m - c.turn_in_m))
    plan.demand.speed *= 1.0 - (1.0 - factor) * bump(plan.at_m, lap + c.slowest_m, half)


def _coasting(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    start, stop = lap + c.throttle_m - 0.6 * amount, lap + c.throttle_m + 0.4 * amount
    plan.demand.brake[plan.zone(start, lap + c.throttle_m)] = 0.0
    plan.demand.pedal[plan.zone(start, stop)] = 0.0


def _throttle_late(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    zone = plan.zone(lap + c.throttle_m, lap + c.throttle_m + amount)
    plan.demand.pedal[zone] = np.minimum(plan.demand.pedal[zone], 0.0)


def _throttle_soft(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    at = plan.at_m - lap
    stop = min(c.exit_m + 60.0, c.after_m)
    held = amount * (at >= c.throttle_m) * (1.0 - ease((at - c.exit_m) / max(stop - c.exit_m, 1.0)))
    plan.demand.pedal = np.minimum(plan.demand.pedal, 1.0 - held)


def _exit(plan: StretchPlan, c: Places, lap: float, outward: float) -> Floats:
    """Move the exit of the line ``outward`` metres; return the window (n,) of the shift."""
    up = max(min(c.exit_m, c.outermost_m), c.apex_m + 0.6 * reach(c))
    down = max(c.outermost_m, up + 1.0)
    window = plateau(plan.at_m - lap, up - max(reach(c), up - c.apex_m), up, down, down + max(80.0, 1.5 * reach(c)))
    plan.offset_m -= c.sign * outward * window
    return window


def _exit_narrow(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    _exit(plan, c, lap, -amount)


def _exit_wide(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    # Off the clean line there is less grip, and the driver lifts until the car is under control.
    window = _exit(plan, c, lap, amount)
    _slide(plan, c, lap, 2.0 * amount)
    plan.grip *= 1.0 - min(0.04 + 0.03 * amount, 0.2) * window
    plan.demand.pedal = np.minimum(plan.demand.pedal, 1.0 - min(0.1 + 0.1 * amount, 0.6) * window)


def _gear(plan: StretchPlan, c: Places, lap: float, gears: float) -> None:
    start = c.brake_m + 10.0 if c.braked else c.turn_in_m
    stop = min(max(c.exit_m, c.end_m) + 150.0, c.after_m - 20.0)
    plan.demand.gear[plan.zone(lap + start, lap + max(stop, c.end_m))] = gears


def _gear_high(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    _gear(plan, c, lap, round(amount))


def _gear_low(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    _gear(plan, c, lap, -round(amount))


def _lift(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    corners = plan.base.corners
    room = _straight(c, corners[c.index - 1], plan.base.circuit.length_m)
    middle = lap + (c.brake_m if c.braked else c.turn_in_m) - 0.5 * room
    plan.demand.pedal[plan.zone(middle - 0.5 * amount, middle + 0.5 * amount)] = 0.0


def _two_stabs(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    middle = lap + 0.5 * (c.brake_m + max(c.release_m, c.brake_m))
    plan.demand.brake[plan.zone(middle - 0.5 * amount, middle + 0.5 * amount)] = 0.0


def _wavering(plan: StretchPlan, c: Places, lap: float, amount: float) -> None:
    at = plan.at_m - lap
    window = plateau(at, c.turn_in_m - 20.0, c.turn_in_m + 10.0, c.end_m - 10.0, c.end_m + 20.0)
    plan.offset_m += amount * window * np.sin(2.0 * np.pi * (at - c.turn_in_m) / max(WAVE_M, 0.5 * reach(c)))


_DOERS = {
    "brake_early": _brake_early,
    "brake_late": _brake_late,
    "brake_soft": _brake_soft,
    "brake_long": _brake_long,
    "turn_in_early": _turn_in_early,
    "turn_in_late": _turn_in_late,
    "apex_missed": _apex_missed,
    "slow_middle": _slow_middle,
    "coasting": _coasting,
    "throttle_late": _throttle_late,
    "throttle_soft": _throttle_soft,
    "exit_narrow": _exit_narrow,
    "exit_wide": _exit_wide,
    "gear_high": _gear_high,
    "gear_low": _gear_low,
    "lift": _lift,
    "two_stabs": _two_stabs,
    "wavering": _wavering,
}
