"""Laps of the transient simulator, many at once, stepped through time with the driver in the loop.

Steering: the side acceleration of the path ahead and of the error, through the yaw rate to the front tyres' force, and
from it the wheel's angle by the inverse of the tyre (as in Hindiyeh and Gerdes 2014, from memory). Pedals: the
acceleration that the wanted speed asks for, within what the driven tyres and the driver's feet give. Steps are explicit
Euler.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from transient_car import HELD, Car, G, forces, pull
from transient_plan import GEAR_DOWN, GEAR_UP
from transient_road import Floats, Road

STEP_S: Final = 0.005
RECORDED: Final = ("s", "e", "speed", "throttle", "brake", "gear", "turned", "along", "side", "drive", "braking", "cut")
EASE_S: Final = 0.06
PULL, DAMPING, YAW_PER_S = 2.4, 0.9, 8.0
"""How fast the driver comes back to his line [rad/s], how damped, and how fast he corrects the yaw rate [1/s]."""
THROTTLE_PER_S, BRAKE_PER_S, RELEASE_PER_S, STEER_PER_S = 4.0, 8.0, 6.0, 2.0


@dataclass
class Orders:
    """The driver's demand at nodes (lanes, m), from ``first_m`` before the line on; ``share`` grip (lanes,)."""

    first_m: float
    want: Floats
    slope: Floats
    throttle: Floats
    dragged: Floats
    press: Floats
    gear: Floats
    offset: Floats
    turned: Floats
    bend: Floats
    share: Floats


@dataclass
class Laps:
    """Recorded rows: ``t`` [s] (k,), each channel (k, lanes)."""

    t: Floats
    rows: dict[str, NDArray[np.float32]]

    def when(self, lane: int, place_m: float) -> float:
        """The time [s] at which a lane is at a place."""
        return float(np.interp(place_m, self.rows["s"][:, lane], self.t))

    def times(self, lane: int, places_m: Floats) -> Floats:
        """The times [s] at which a lane is at places (n,)."""
        return np.interp(places_m, self.rows["s"][:, lane], self.t)


def drive(
    car: Car, road: Road, orders: Orders, start: float, until_m: float, step_s: float = STEP_S, every: int = 2
) -> Laps:
    """All lanes from ``orders.first_m`` at ``start`` [m/s] until each has come to ``until_m``."""
    lanes = len(orders.want)
    pick = np.arange(lanes)
    s = np.full(lanes, orders.first_m)
    v, vy, yaw = np.full(lanes, start), np.zeros(lanes), np.zeros(lanes)
    e, psi = orders.offset[:, 0].copy(), orders.turned[:, 0].copy()
    steer, gas, stop, along = np.zeros(lanes), np.ones(lanes), np.zeros(lanes), np.zeros(lanes)
    tops = np.array(car.tops)
    gear = np.searchsorted(tops * GEAR_UP, v)
    gap, since = np.zeros(lanes), np.ones(lanes)
    rear_side, rear_most, front_side = np.zeros(lanes), np.ones(lanes), np.zeros(lanes)
    front_load = np.full(lanes, car.mass * G * car.rear_m / car.base)
    front_most = car.grip_front * front_load
    kept: list[NDArray[np.float32]] = []
    count, limit = 0, int(400.0 / step_s)
    last = orders.want.shape[1] - 2
    table = np.stack([orders.want, orders.slope, orders.offset, orders.turned, orders.bend], axis=2)
    while s.min() < until_m:
        count += 1
        if count > limit:
            raise RuntimeError(f"the car does not get round: {s.min():.0f} of {until_m:.0f} m")
        i, f = _node(orders, road, s, last)
        node = table[pick, i] + f[:, None] * (table[pick, i + 1] - table[pick, i])
        seen = table[pick, _node(orders, road, s + EASE_S * v, last)[0]]
        ahead = orders.bend[pick, _node(orders, road, s + 0.12 * v, last)[0]]
        at = (s / road.step_m).astype(int) % road.n
        curve, hill, crest = road.curvature[at], road.slope[at], road.bend_up[at]
        # steering
        off, turned = e - node[:, 2], psi - node[:, 3]
        # the side acceleration that leads back to the line, the yaw rate that belongs to it, the front's part of it
        drift = v * np.sin(turned) + vy * np.cos(turned)
        holds = orders.share * car.grip_front * (G + (car.downforce / car.mass + crest) * v * v)
        side = ahead * v * v - PULL * PULL * off - 2.0 * DAMPING * PULL * drift
        side = np.minimum(np.maximum(side, -holds), holds)
        force_f = (car.inertia * YAW_PER_S * (side / v - yaw) + car.rear_m * rear_side) / car.front_m
        most = 0.99 * front_most
        used = np.minimum(np.abs(force_f) / most, 1.0)
        # the brush tyre the other way round
        angle = 3.0 * most / (car.stiffness * front_load) * (1.0 - np.cbrt(1.0 - used)) * np.sign(force_f)
        aim = np.arctan2(vy + car.front_m * yaw, v) + np.arctan(angle)
        steer += np.minimum(np.maximum((aim - steer) * min(step_s / 0.04, 1.0), -STEER_PER_S * step_s),
                            STEER_PER_S * step_s)  # fmt: skip
        # pedals
        top = tops[gear]
        engine = pull(car, v, top)
        brakes = car.engine_brake * np.minimum(v / top, 1.2)
        need = car.mass * (seen[:, 1] + 2.5 * (seen[:, 0] - v) + G * hill) + car.drag * v * v
        ease = 1.0 - 0.6 * np.minimum(np.maximum(-np.sign(curve) * off - 0.5, 0.0), 1.0) * (np.abs(curve) > 0.003)
        gas_to = np.minimum(
            np.maximum((need + brakes) / np.maximum(engine + brakes, 1.0), 0.0), orders.throttle[pick, i]
        )
        stop_to = np.minimum(np.maximum(-need - brakes, 0.0) / car.brake_force * orders.press[pick, i], 1.0)
        stop_to = np.where(stop_to < 0.03, 0.0, stop_to)
        stop_to = np.maximum(stop_to, orders.dragged[pick, i])
        spare = DRIVEN * np.sqrt(np.maximum((HELD * rear_most) ** 2 - rear_side**2, 0.0))
        if car.drive_front:
            left = np.sqrt(np.maximum((HELD * front_most) ** 2 - front_side**2, 0.0))
            spare = np.minimum(spare / (1.0 - car.drive_front), DRIVEN * left / car.drive_front)
        gas_to = np.minimum(gas_to, (spare + 200.0) / np.maximum(engine, 1.0))
        gas_to = np.where(stop_to > 0.0, 0.0, gas_to * ease)
        gas_to = np.where(gas_to < 0.03, 0.0, gas_to)
        if car.lifts:
            gas_to = np.where(gap > 0.0, 0.0, gas_to)
        rise = THROTTLE_PER_S * step_s
        gas += np.minimum(np.maximum(gas_to - gas, -3.0 * rise), rise)
        stop += np.minimum(np.maximum(stop_to - stop, -RELEASE_PER_S * step_s), BRAKE_PER_S * step_s)
        # gears: one at a time
        gap, since = gap - step_s, since + step_s
        wish = orders.gear[pick, i].astype(int)
        usual = np.searchsorted(tops * GEAR_DOWN, v)
        goal = np.where(
            wish != 0, usual + wish, np.where(v > GEAR_UP * top, gear + 1, np.minimum(gear, np.maximum(usual, 0)))
        )
        goal = np.minimum(np.maximum(goal, 0), len(tops) - 1)
        change = (goal != gear) & (since > 0.25)
        up = change & (goal > gear)
        gap = np.where(up, car.gap_s, gap)
        since = np.where(change, 0.0, since)
        gear = np.where(change, gear + np.sign(goal - gear), gear)
        # car
        cut = gap > 0.0
        force = np.where(cut, 0.0, gas * engine - (1.0 - gas) * brakes)
        lift = G + crest * v * v
        push = forces(car, orders.share, v, vy, yaw, steer, along, lift, hill, force, stop * car.brake_force)
        rear_side, rear_most, front_side = push.rear_side, push.rear_most, push.front_side
        front_load, front_most = push.front_load, push.front_most
        if count % every == 1 or every == 1:
            kept.append(np.array([
                s, e, np.hypot(v, vy), gas, stop, gear + 1.0, psi, push.ax, push.ay, push.drive, push.braking, cut
            ], dtype=np.float32))  # fmt: skip
        advance = (v * np.cos(psi) - vy * np.sin(psi)) / (1.0 - e * curve)
        across = v * np.sin(psi) + vy * np.cos(psi)
        v = np.maximum(v + step_s * (push.ax + vy * yaw), 4.0)
        vy = vy + step_s * (push.ay - v * yaw)
        yaw = yaw + step_s * push.yaw
        psi = psi + step_s * (yaw - curve * advance)
        e, s = e + step_s * across, s + step_s * advance
        along += (push.ax - along) * min(step_s / 0.08, 1.0)
    rows: NDArray[np.float32] = np.array(kept, dtype=np.float32)
    return Laps(np.arange(float(len(rows))) * step_s * every, {name: rows[:, k] for k, name in enumerate(RECORDED)})


DRIVEN: Final = 0.95
"""Share of the driven tyres' spare force that the driver uses."""


def _node(orders: Orders, road: Road, s: Floats, last: int) -> tuple[NDArray[np.int_], Floats]:
    place = (s - orders.first_m) / road.step_m
    i = np.minimum(np.maximum(place.astype(int), 0), last)
    return i, np.minimum(place - i, 1.0)
