"""Speed along a path: a quasi-steady backward pass for braking, then a forward pass for acceleration.

Point mass on a friction ellipse with drag, downforce, gradient and vertical curvature; the forward pass adds
power, gears and what the driver does with the pedals. A test compares the lap time with an independent tool.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from feeds.frame import Floats
from feeds.practice.car import GRAVITY_MPS2, PracticeCar

V_MAX = 130.0
SLIDE_FLOOR = 0.35  # share of the grip left for braking when cornering uses all of it
SLIDING = 1.05
OVERDRIVE = 1.03  # a car that enters too fast brakes a little beyond the normal share of grip
SHIFT_CUT_S = 0.10
CRAWL_MPS, CRAWL_PEDAL = 8.0, 0.3  # no driver lets the car roll to a stop in a corner, whatever the fault


@dataclass(frozen=True, eq=False)
class Path:
    """A path on a grid: ``step_m`` (n,) to the next node, horizontal curvature, grade and vertical curvature.

    ``grip`` (n,) scales the car's friction coefficient.
    """

    step_m: Floats
    curvature_pm: Floats
    grade: Floats
    bend_pm: Floats
    grip: Floats

    def __len__(self) -> int:
        return len(self.step_m)

    def part(self, a: int, b: int) -> Path:
        """Return nodes ``a`` to ``b`` (not included)."""
        return Path(*(getattr(self, f)[a:b] for f in ("step_m", "curvature_pm", "grade", "bend_pm", "grip")))


@dataclass(eq=False)
class Demand:
    """What the driver wants at each node (all arrays (n,)).

    ``brake``: share of the braking grip used (0 lets the car coast); ``no_brake``: 1 where braking is late; ``pedal``:
    highest pedal, 1 full throttle, 0 none, -0.1 a dragged brake; ``speed``: factor on the corner speed; ``cap_mps``:
    absolute speed cap; ``gear``: gears above (+) or below (-) the normal one.
    """

    brake: Floats
    no_brake: Floats
    pedal: Floats
    speed: Floats
    cap_mps: Floats
    gear: Floats
    early: list[tuple[int, int, int]] = field(default_factory=list)

    @classmethod
    def usual(cls, n: int) -> Demand:
        """Return the demand of a lap without faults."""
        one, zero = np.ones(n), np.zeros(n)
        return cls(one, zero, one.copy(), one.copy(), np.full(n, V_MAX), zero.copy())

    def part(self, a: int, b: int) -> Demand:
        """Return nodes ``a`` to ``b`` (not included)."""
        rows = (self.brake, self.no_brake, self.pedal, self.speed, self.cap_mps, self.gear)
        brake, no_brake, pedal, speed, cap, gear = (row[a:b] for row in rows)
        early = [(i - a, j - a, d) for i, j, d in self.early]
        return Demand(brake, no_brake, pedal, speed, cap, gear, early)


@dataclass(frozen=True, eq=False)
class DriveResult:
    """The result at each node: speed, gear, the engine's reach [m/s2]; and whether traction was the limit."""

    speed_mps: Floats
    gear: Floats
    engine_mps2: Floats
    traction_limited: Floats


def corner_limit(path: Path, car: PracticeCar) -> Floats:
    """Return the highest speed each node's curvature allows [m/s], (n,)."""
    mu = car.grip * path.grip
    weight = GRAVITY_MPS2 / np.sqrt(1.0 + path.grade**2)
    spare = np.abs(path.curvature_pm) - mu * (path.bend_pm + car.downforce_pm)
    limit = np.sqrt(mu * weight / np.maximum(spare, mu * weight / V_MAX**2))
    # over a crest the car must stay on the ground
    lift = -(path.bend_pm + car.downforce_pm)
    ground: Floats = np.sqrt(0.8 * weight / np.maximum(lift, 0.8 * weight / V_MAX**2))
    return np.minimum(limit, ground)


def brake_limit(path: Path, car: PracticeCar, demand: Demand, end_mps: float = V_MAX) -> Floats:
    """Return the highest speed at each node from which the rest of the path is still drivable [m/s], (n,)."""
    cap = np.minimum(corner_limit(path, car) * demand.speed, demand.cap_mps)
    square = (cap * cap).tolist()
    square[-1] = min(square[-1], end_mps**2)
    hold, load, slope = _forces(path, car)
    bend = np.abs(path.curvature_pm).tolist()
    share, steps = demand.brake.tolist(), path.step_m.tolist()
    mu = (car.grip * path.grip).tolist()
    full, drag, idle, roll = car.brake_full_mps2, car.drag_pm, car.engine_brake_mps2, car.rolling_mps2
    sqrt = math.sqrt
    behind = slow = 0.0
    for k in range(len(square) - 1, -1, -1):
        # Heun's method: the deceleration at the node ahead, then at this one with the speed that gives
        v2 = square[k + 1] if k + 1 < len(square) else square[k]
        first = min(square[k], v2 + 2.0 * behind * steps[k])
        for v2_here in (first, -1.0):
            if v2_here < 0.0:
                v2_here = min(square[k], v2 + (behind + slow) * steps[k]) if k + 1 < len(square) else square[k]
                square[k] = v2_here
            grip = mu[k] * (hold[k] + load[k] * v2_here)
            rest = grip * grip - (bend[k] * v2_here) ** 2
            tyre = sqrt(rest) if rest > 0.0 else 0.0
            tyre = (full if tyre > full else tyre) * share[k]
            slow = (tyre if tyre > idle else idle) + drag * v2_here + roll + slope[k]
        behind = slow
    limit: Floats = np.sqrt(np.array(square))
    for start, stop, shift in demand.early:
        _wait(limit, start, stop, shift)
    return limit


def _wait(limit: Floats, start: int, stop: int, shift: int) -> None:
    """Brake ``shift`` nodes earlier between ``start`` and ``stop``, then hold the speed reached."""
    start, stop = max(start, 0), min(stop, len(limit) - 1)
    if shift > 0 and stop > start:
        ahead = np.append(limit[start:stop], np.full(shift, limit[stop]))
        limit[start:stop] = np.lib.stride_tricks.sliding_window_view(ahead, shift + 1)[: stop - start].min(axis=1)


def drive(
    path: Path, car: PracticeCar, demand: Demand, limit: Floats, start_mps: float, start_gear: int = 0
) -> DriveResult:
    """Drive the path: full use of the engine under ``limit`` (n,), as far as the demand allows it."""
    n = len(path)
    hold, load, slope = _forces(path, car)
    bend = np.abs(path.curvature_pm).tolist()
    mu, steps = (car.grip * path.grip).tolist(), path.step_m.tolist()
    pedal, share = demand.pedal.tolist(), demand.brake.tolist()
    no_brake, other_gear = demand.no_brake.tolist(), demand.gear.tolist()
    target = (limit * limit).tolist()
    power, sag, least, tops = car.power_w / car.mass_kg, car.sag, car.least_pull, (0.0, *car.top_mps)
    full, drag, idle, roll = car.brake_full_mps2, car.drag_pm, car.engine_brake_mps2, car.rolling_mps2
    last, sqrt = len(car.top_mps), math.sqrt
    v2 = start_mps**2
    gear = start_gear or next((g for g in range(1, last) if start_mps < 0.93 * tops[g]), last)
    speeds, gears, engines, limited = [0.0] * n, [0] * n, [0.0] * n, [0.0] * n
    cut, lowest_gear, upshifted = 0.0, last, False
    used_before = gear
    for k in range(n):
        v = sqrt(v2)
        if v > tops[gear] and gear < last:
            gear += 1
        elif gear > 1 and v < car.down_at * tops[gear]:
            gear -= 1
        used = gear
        if other_gear[k]:
            lowest_gear = min(lowest_gear, gear)
            used = gear if upshifted else _odd_gear(car, gear, lowest_gear, int(other_gear[k]), v)
            if used > used_before and other_gear[k] < 0:
                cut, upshifted = SHIFT_CUT_S * v, True
        else:
            lowest_gear, upshifted = last, False
        used_before = used
        ratio = v / tops[used]
        pull = 1.0 - sag * (1.0 - ratio) ** 2
        engine = power * (pull if pull > least else least) / (v if v > 5.0 else 5.0)
        if ratio > car.limiter:
            engine = 0.0
        grip = mu[k] * (hold[k] + load[k] * v2)
        rest = 1.0 - (bend[k] * v2 / grip) ** 2
        round_ = sqrt(rest) if rest > 0.0 else 0.0
        traction = car.drive_share * grip * round_
        reach = engine if engine < traction else traction
        speeds[k], gears[k], engines[k] = v, used, engine
        limited[k] = 1.0 if traction < engine else 0.0
        want = pedal[k]
        if v2 < CRAWL_MPS * CRAWL_MPS and want < CRAWL_PEDAL:
            want = CRAWL_PEDAL
        if cut > 0.0:
            want, cut = min(want, 0.0), cut - steps[k]
        tyre = -idle + want * (reach + idle) if want >= 0.0 else -idle + want * (full - idle)
        ahead = v2 + 2.0 * (tyre - drag * v2 - roll - slope[k]) * steps[k]
        if k + 1 < n and ahead > target[k + 1] and not no_brake[k]:
            tyre = grip * (round_ if round_ > SLIDE_FLOOR else SLIDE_FLOOR)
            if bend[k] * v2 > SLIDING * grip:
                tyre = grip  # all available friction slows a sliding car
            tyre = (full if tyre > full else tyre) * OVERDRIVE * max(share[k], 0.05)
            slow = (tyre if tyre > idle else idle) + drag * v2 + roll + slope[k]
            lowest = v2 - 2.0 * slow * steps[k]
            ahead = target[k + 1] if target[k + 1] > lowest else lowest
        v2 = ahead if ahead > 1.0 else 1.0
    return DriveResult(np.array(speeds), np.array(gears, dtype=np.float64), np.array(engines), np.array(limited))


def _odd_gear(car: PracticeCar, gear: int, lowest: int, other: int, speed_mps: float) -> int:
    """Return the gear of a driver who is ``other`` gears off the ``lowest`` of the corner.

    Too high a gear lasts until the normal one catches up; too low a gear only up to the rev limit.
    """
    if other > 0:
        return max(gear, min(len(car.top_mps), lowest + other))
    used = max(1, gear + other)
    while used < gear and speed_mps > 0.99 * car.limiter * car.top_mps[used - 1]:
        used += 1
    return used


def _forces(path: Path, car: PracticeCar) -> tuple[list[float], list[float], list[float]]:
    """Return weight on the road, load per speed squared, and pull of gravity along the path [m/s2, 1/m, m/s2]."""
    cosine = 1.0 / np.sqrt(1.0 + path.grade**2)
    hold, load = GRAVITY_MPS2 * cosine, path.bend_pm + car.downforce_pm
    return hold.tolist(), load.tolist(), (GRAVITY_MPS2 * cosine * path.grade).tolist()


def lap_profile(path: Path, car: PracticeCar) -> tuple[DriveResult, Floats]:
    """Return the steady lap of a closed path, and its brake limit: the second of two laps, looking ahead
    into a third.
    """
    n = len(path)
    thrice = Path(*(np.tile(getattr(path, f), 3) for f in ("step_m", "curvature_pm", "grade", "bend_pm", "grip")))
    usual = Demand.usual(3 * n)
    limit = brake_limit(thrice, car, usual)
    driven = drive(thrice, car, usual, limit, min(30.0, float(limit[0])))
    keep = slice(n, 2 * n)
    return DriveResult(
        driven.speed_mps[keep], driven.gear[keep], driven.engine_mps2[keep], driven.traction_limited[keep]
    ), limit[keep]


def travel_time(step_m: Floats, speed_mps: Floats) -> Floats:
    """Return the time from node 0 to each node [s], (n,): constant acceleration between nodes."""
    mean = 0.5 * (speed_mps[1:] + speed_mps[:-1])
    return np.concatenate([[0.0], np.cumsum(step_m[:-1] / mean)])
