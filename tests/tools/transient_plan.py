"""Plan of the transient simulator's driver: a speed profile, corners, and the commands of a lap.

The profile is the usual quasi-steady one (lateral limit by curvature, then backwards for braking and forwards for
driving), at a margin under the tyres' limit. The driver takes from it where he brakes and the speed he lets the car
down to; the rest is up to the car. A fault changes these commands, never the car.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from transient_car import HELD, Car, G, pull
from transient_road import Floats, Road

SIDE_MARGIN: Final = 0.85
BRAKE_MARGIN: Final = 0.78
DRIVE_MARGIN: Final = 0.9
COMBINED: Final = 0.9
FREE: Final = 120.0
"""A wanted speed that asks for full throttle [m/s]."""
GEAR_DOWN, GEAR_UP = 0.80, 0.97
"""The driver shifts down when the lower gear would turn below the first share of the limiter, up at the second."""


@dataclass(frozen=True)
class Corner:
    """Nodes of one corner as the driver means to drive it, its side (+1 left) and its lowest speed [m/s]."""

    brake: int
    turn_in: int
    slowest: int
    drive: int
    end: int
    sign: int
    speed: float


@dataclass
class Intent:
    """The commands of laps, arrays (lanes, n): line, share of the lateral limit and of the brakes, coasting, and
    per (lane, corner): how far the braking is moved [m] and whether that is caught up, where the throttle comes."""

    offset: Floats
    limit: Floats
    braking: Floats
    idle: NDArray[np.bool_]
    throttle: Floats
    drag_on: Floats
    gear: Floats
    moved: Floats
    caught: Floats
    late: Floats
    press: Floats
    dragged: list[tuple[int, int, int]] = field(default_factory=list)

    @classmethod
    def plain(cls, road: Road, lanes: int, corners: int) -> Intent:
        """The intended lap, ``lanes`` times."""
        one, none = np.ones((lanes, road.n)), np.zeros((lanes, road.n))
        each = np.zeros((lanes, corners))
        return cls(
            np.tile(road.line, (lanes, 1)), one, one.copy(), none > 1.0, one.copy(), none, none.copy(),
            each, each.copy(), each.copy(), np.ones((lanes, corners)),
        )  # fmt: skip


def backward(car: Car, road: Road, bend: Floats, way: Floats, intent: Intent, share: Floats) -> Floats:
    """Speeds (lanes, n) not to be exceeded, so that each later limit is met by braking; ``share`` of grip (lanes,)."""
    share = share * car.care
    mu = share[:, None] * car.grip_front * intent.limit**2
    push = car.downforce / car.mass + road.bend_up
    free = np.abs(bend) - SIDE_MARGIN * mu * push
    cap2 = np.minimum(np.where(free > 1e-5, SIDE_MARGIN * mu * G / np.maximum(free, 1e-5), FREE**2), FREE**2)
    out = cap2.copy()
    v2 = out[:, 0].copy()
    n, bends = road.n, np.abs(bend)
    drag, most = car.drag / car.mass, car.brake_force / car.mass
    for i in range(int(1.4 * n), -1, -1):
        k = i % n
        up = share * car.grip_front * (G + push[k] * v2)
        left = np.sqrt(np.maximum(1.0 - (bends[:, k] * v2 / np.maximum(COMBINED * up, 1.0)) ** 2, 0.0))
        slow = np.minimum(BRAKE_MARGIN * up * left, 0.95 * most) * intent.braking[:, k]
        slow = np.where(intent.idle[:, k], car.engine_brake / car.mass, slow) + drag * v2 + G * road.slope[k]
        v2 = np.minimum(cap2[:, k], v2 + 2.0 * np.maximum(slow, 0.0) * way[:, k])
        out[:, k] = v2
    return np.sqrt(out)


def forward(car: Car, road: Road, bend: Floats, way: Floats, cap: Floats) -> Floats:
    """Speeds (n,) of one lap that repeats, driven as hard as engine and driven tyres allow under ``cap`` (n,)."""
    out, v2 = cap.copy(), float(cap.min()) ** 2
    share = 1.0 if car.drive_front else car.front_m / car.base + 0.08
    for i in range(int(1.5 * road.n)):
        k = i % road.n
        v2 = min(v2, cap[k] ** 2)
        out[k] = v = v2**0.5
        tops = np.array(car.tops)
        engine = float(pull(car, np.full(len(tops), v), tops).max())
        up = car.care * car.grip_rear * (G + (car.downforce / car.mass + road.bend_up[k]) * v2)
        left = max(1.0 - (bend[k] * v2 / up) ** 2, 0.0) ** 0.5
        a = min(engine / car.mass, DRIVE_MARGIN * HELD * share * up * left) - car.drag / car.mass * v2
        v2 = max(v2 + 2.0 * (a - G * road.slope[k]) * way[k], 16.0)
    return out


def corners_of(road: Road, bend: Floats, speed: Floats) -> list[Corner]:
    """The corners that are braked for in a profile (n,): a lap that begins on a straight."""
    n, k = road.n, np.abs(bend)
    near = round(50.0 / road.step_m)
    slowing = np.gradient(speed**2 / 2.0) / road.step_m
    out: list[Corner] = []
    for i in range(near, n - near):
        if speed[i] > speed[i - near : i + near + 1].min() + 1e-9 or k[i] < 0.004 or speed[i] > speed.max() - 6.0:
            continue
        b = i
        while b > 1 and speed[b - 1] > speed[b] - 1e-6:
            b -= 1
        while b < i and slowing[b] > -3.0:
            b += 1
        if speed[b] - speed[i] < 5.0 or (out and (i - out[-1].slowest < near or b <= out[-1].slowest)):
            continue
        high = int(i - near / 3 + np.argmax(k[i - near // 3 : i + near // 3 + 1]))
        sign, t, e = int(np.sign(bend[high])), high, high
        while t > 1 and bend[t] * sign > 0.2 * k[high]:
            t -= 1
        while e < n - 2 and bend[e] * sign > 0.2 * k[high]:
            e += 1
        d = i
        while d < n - 2 and slowing[d] < 0.4:
            d += 1
        out.append(Corner(b, t, i, d, e, sign, float(speed[i])))
    return out


def wanted(road: Road, intent: Intent, cap: Floats, usual: Floats, corners: list[Corner]) -> Floats:
    """The speed the driver wants at every node (lanes, n): free up to his brake places, then down, held, and up.

    ``cap`` (lanes, n) is the lanes' own profile, ``usual`` (n,) the speed of the intended lap.
    """
    lanes, n = cap.shape
    # a bend that only asks for a lift has no place of its own: he keeps to the profile there
    want = cap.copy()
    nodes = np.arange(n, dtype=float)
    ends = [c.brake for c in corners[1:]] + [n]
    for j, c in enumerate(corners):
        until = max(c.slowest + 1, min(ends[j] - 40, c.end + 100))
        for lane in range(lanes):
            row = cap[lane]
            # the brake place of this lane's profile: where it meets the speed of the intended lap
            top = np.where(nodes < c.brake, usual, usual[c.brake])
            after = min(c.brake + round(20.0 / road.step_m), c.slowest - 1)
            early = max(c.brake - 120, 0)
            over = np.flatnonzero(row[early:after] >= top[early:after])
            brake = float(early + over[-1] + 1) if len(over) else float(early)
            low = c.slowest - 8 + int(np.argmin(row[c.slowest - 8 : c.slowest + 9]))
            move = intent.moved[lane, j] / road.step_m
            begin = brake + move
            want[lane, max(round(brake) - 5, 0) : max(int(np.ceil(begin)), 0)] = FREE
            here = np.arange(max(int(np.ceil(begin)), 0), low + max(int(move), 0) + 1)
            fade = 1.0 - intent.caught[lane, j] * np.clip((here - begin) / max(low - begin, 1.0), 0.0, 1.0)
            here = here[here < n]
            want[lane, here] = np.interp(np.minimum(here - move * fade[: len(here)], low), nodes, row)
            least = row[low]
            first = int(here[-1]) if len(here) else low
            drive = max(c.drive + intent.late[lane, j] / road.step_m, first)
            held = np.arange(first, min(int(drive) + 1, n))
            want[lane, held] = np.minimum(row[held], least + 0.2)
            rest = np.arange(min(int(drive) + 1, n), until)
            want[lane, rest] = row[rest]
    return want
