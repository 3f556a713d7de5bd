"""A second, plain simulator for cross-checks: it shares nothing with ``feeds.practice``.

A point mass with constant grip on a fixed line, solved quasi-steadily on 1 m nodes (limit by curvature, backward pass
for braking, forward pass for driving), one lap after the other in one run. Pedals are the naive ones: throttle is
acceleration over what the engine can give, brake is deceleration over what the brakes can give. Each fault changes the
solution the way a simple reading of its name asks for.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

from coach.core.columns import Columns

Floats = NDArray[np.float64]

FAULTS = {
    "brake_early": (12.0, 30.0),
    "brake_soft": (0.2, 0.4),
    "slow_middle": (1.5, 3.5),
    "throttle_late": (12.0, 30.0),
    "coasting": (15.0, 35.0),
    "exit_narrow": (2.0, 4.0),
    "brake_late": (8.0, 16.0),
    "brake_long": (12.0, 25.0),
    "apex_missed": (1.5, 3.0),
    "exit_wide": (1.0, 2.5),
    "turn_in_early": (8.0, 16.0),
    "turn_in_late": (8.0, 16.0),
    "throttle_soft": (0.25, 0.5),
    "gear_high": (1.0, 1.0),
    "gear_low": (1.0, 1.0),
}


@dataclass(frozen=True)
class PlainCar:
    """Constant lateral, braking and driving limits [m/s2], power per mass [W/kg], drag [1/m], top speed [m/s]."""

    lateral: float = 13.5
    brake: float = 11.0
    drive: float = 7.0
    power: float = 270.0
    drag: float = 0.0006
    top: float = 75.0


@dataclass(frozen=True)
class PlainCorner:
    """Nodes of one corner: brake start, turn-in, slowest, throttle start, end of the bend; side +1 left."""

    brake: int
    turn_in: int
    slowest: int
    drive: int
    end: int
    sign: int
    speed: float


@dataclass(frozen=True)
class PlainTruth:
    """One injected fault: the session time at the corner's slowest place, its amount and the lap time it cost.

    ``lost`` are session times (n,) and the part of the cost that was lost until then (n,).
    """

    t_s: float
    lap: int
    corner: int
    fault: str
    amount: float
    cost_s: float
    lost: tuple[Floats, Floats] = field(compare=False, repr=False)


@dataclass
class Plan:
    """Changes in one lap, arrays (n,)."""

    offset: Floats
    limit: Floats
    brake: Floats
    drive: Floats
    idle: NDArray[np.bool_]
    gear: Floats
    shift: list[tuple[int, int, int]] = field(default_factory=list)
    hold: list[tuple[int, int]] = field(default_factory=list)
    carry: list[tuple[int, int, int]] = field(default_factory=list)
    drag_on: list[tuple[int, int]] = field(default_factory=list)


class PlainSim:
    """A closed line (x, y at about 1 m) and a car."""

    def __init__(self, x: Floats, y: Floats, car: PlainCar | None = None) -> None:
        self.car = car or PlainCar()
        closed = np.column_stack([np.append(x, x[0]), np.append(y, y[0])])
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
        self.n = round(s[-1])
        node = np.linspace(0.0, s[-1], self.n, endpoint=False)
        self.step = s[-1] / self.n
        self.line = CubicSpline(s, closed, bc_type="periodic")(node)
        self.normal = self._normal(self.line)
        self.curvature = self._curvature(self.line)[0]
        # laps are joined well before the braking at the end of the fastest stretch
        v, _ = self.solve(self.plan())
        start = int(np.argmax(gaussian_filter1d(v, 40, mode="wrap"))) - 80
        self.line = np.roll(self.line, -start, axis=0)
        self.normal = self._normal(self.line)
        self.curvature = self._curvature(self.line)[0]
        self.speed, _ = self.solve(self.plan())
        self.corners = self._corners()

    @staticmethod
    def _normal(line: Floats) -> Floats:
        d = np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0)
        d /= np.hypot(*d.T)[:, None]
        return np.column_stack([-d[:, 1], d[:, 0]])

    @staticmethod
    def _curvature(line: Floats) -> tuple[Floats, Floats]:
        d = 0.5 * (np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0))
        dd = np.roll(line, -1, axis=0) - 2 * line + np.roll(line, 1, axis=0)
        size = np.hypot(*d.T)
        k = (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0]) / size**3
        return gaussian_filter1d(k, 3.0, mode="wrap"), size

    def plan(self) -> Plan:
        n = self.n
        one = np.ones(n)
        return Plan(np.zeros(n), one.copy(), one.copy(), one.copy(), np.zeros(n, dtype=bool), np.zeros(n))

    def solve(self, plan: Plan) -> tuple[Floats, Floats]:
        """Speed at the nodes and the way to the next node (n,) for one lap that repeats."""
        car = self.car
        points = self.line + plan.offset[:, None] * self.normal
        k, step = self._curvature(points)
        cap = np.minimum(np.sqrt(car.lateral / np.maximum(np.abs(k), 1e-5)), car.top) * plan.limit
        n = self.n
        v2 = np.tile(cap * cap, 2)
        ks, st = np.tile(np.abs(k), 2), np.tile(step, 2)
        share, gas, idle = np.tile(plan.brake, 2), np.tile(plan.drive, 2), np.tile(plan.idle, 2)
        for i in range(2 * n - 2, -1, -1):
            used = min(ks[i] * v2[i + 1] / car.lateral, 1.0)
            free = max(1.0 - used * used, 0.0) ** 0.5
            slow = car.drag * v2[i + 1] if idle[i] else max(car.brake * free * share[i], car.drag * v2[i + 1])
            v2[i] = min(v2[i], v2[i + 1] + 2.0 * slow * st[i])
        v = np.sqrt(v2)
        for a, b, d in plan.shift:
            for off in (0, n):
                part = v[a + off : b + off + 1].copy()
                ahead = (
                    np.concatenate([part[d:], np.full(d, part[-1])]) if d < len(part) else np.full(len(part), part[-1])
                )
                # the speed a driver had before he braks is not raised
                v[a + off : b + off + 1] = np.minimum(part, np.minimum.accumulate(ahead))
        late = np.zeros(2 * n, dtype=bool)
        for a, b, d in plan.carry:
            for off in (0, n):
                part = v[a + off : b + off + 1].copy()
                v[a + off : b + off + 1] = np.concatenate([np.full(d, part[0]), part[:-d]])
                late[a + off : b + off + 1] = True
        u2 = v * v
        speed2 = min(u2[0], 900.0)
        out = np.empty(2 * n)
        held = {a + o: b + o for a, b in plan.hold for o in (0, n)}
        dragged = {a + o: b + o for a, b in plan.drag_on for o in (0, n)}
        hold_to, drag_to = -1, -1
        for i in range(2 * n):
            speed2 = min(speed2, u2[i])
            out[i] = speed2
            hold_to = max(hold_to, held.get(i, -1))
            drag_to = max(drag_to, dragged.get(i, -1))
            v_now = speed2**0.5
            used = min(ks[i] * speed2 / car.lateral, 1.0)
            free = max(1.0 - used * used, 0.0) ** 0.5
            pull = min(car.drive * max(free, 0.0), car.power / max(v_now, 5.0)) * gas[i] - car.drag * speed2
            if idle[i]:
                pull = -car.drag * speed2
            if i < hold_to:
                pull = 0.0
            if i < drag_to:
                pull = -0.3 * car.brake
            speed2 = max(speed2 + 2.0 * pull * st[i], 9.0)
        return np.sqrt(out[n:]), step

    def _corners(self) -> list[PlainCorner]:
        v, k, n = self.speed, np.abs(self.curvature), self.n
        wide = 40
        low = [
            i for i in range(wide, n - wide)
            if v[i] == v[i - wide : i + wide + 1].min() and v[i] < v.max() - 6 and k[i] > 0.004
        ]  # fmt: skip
        corners: list[PlainCorner] = []
        for i in low:
            if corners and i - corners[-1].slowest < 60:
                continue
            a = np.gradient(v * v / 2)
            b = i
            while b > 1 and (v[b - 1] > v[b] or v[b - 3] > v[b]):
                b -= 1
            # a lift or a scrub before the pedal is no braking
            while b < i and -(a[b] + self.car.drag * v[b] ** 2) < 0.1 * self.car.brake:
                b += 1
            t = i
            while t > 1 and k[t] > 0.2 * k[i] and self.curvature[t] * self.curvature[i] > 0:
                t -= 1
            e = i
            while e < n - 2 and k[e] > 0.2 * k[i] and self.curvature[e] * self.curvature[i] > 0:
                e += 1
            d = i
            while d < n - 2 and a[d] < 0.4:
                d += 1
            if v[b] - v[i] > 5 and (not corners or b > corners[-1].end):
                corners.append(PlainCorner(b, t, i, d, e, int(np.sign(self.curvature[i])), float(v[i])))
        return corners

    def apply(self, plan: Plan, c: PlainCorner, fault: str, amount: float, other: bool = False) -> None:
        """Put one fault into a lap's plan; ``other`` picks a second way to do it where there is one."""
        at = np.arange(self.n)
        x = round(amount)

        def bump(middle: float, half: float) -> Floats:
            return (1.0 - np.clip(np.abs(at - middle) / half, 0.0, 1.0) ** 2) ** 3

        half = max(45.0, 1.7 * c.speed)
        out = -c.sign
        if fault == "brake_early":
            # the brake goes on x metres sooner, at the speed the car has there
            v = self.speed
            way = np.arange(c.brake, c.slowest + 1)
            slower = way[v[way] <= v[max(c.brake - x, 0)]]
            d = int(slower[0] if len(slower) else c.slowest) - (c.brake - x)
            plan.shift.append((max(c.brake - x - 40, 0), c.slowest, d))
        elif fault == "brake_late":
            plan.carry.append((c.brake, c.slowest + x, x))
            plan.offset += out * 0.12 * amount * bump(c.slowest + x, half)
            # washed wide, the car has to be slowed more than usual before it turns
            plan.limit[c.slowest + x : c.slowest + x + 60] = 0.75
        elif fault == "brake_soft":
            plan.brake[max(c.brake - 250, 0) : c.slowest] = 1.0 - amount
        elif fault == "brake_long":
            # the brake is not let go where it always is, but dragged on
            slowing = -np.gradient(self.speed**2 / 2.0) / self.step - self.car.drag * self.speed**2
            released = c.brake + int(np.flatnonzero(slowing[c.brake : c.slowest + 1] > 0.1 * self.car.brake)[-1])
            plan.drag_on.append((released, released + x))
        elif fault == "slow_middle":
            plan.limit *= 1.0 - amount / c.speed * bump(c.slowest, max(0.7 * (c.end - c.turn_in), 40.0))
        elif fault == "coasting":
            if other:
                plan.idle[max(c.brake - x, 0) : c.brake] = True
            else:
                plan.idle[c.slowest - x : c.slowest] = True
        elif fault == "throttle_late":
            if other:
                plan.idle[c.drive : c.drive + x] = True
            else:
                plan.hold.append((c.drive, c.drive + x))
        elif fault == "throttle_soft":
            plan.drive[c.slowest : c.end + 60] = 1.0 - amount
        elif fault == "exit_narrow":
            plan.offset += c.sign * amount * bump(c.end, half)
        elif fault == "exit_wide":
            plan.offset += out * amount * bump(c.end, half)
            plan.drive[c.slowest + 10 : c.end + 20] = 0.6
        elif fault == "apex_missed":
            plan.offset += out * amount * bump(0.5 * (c.turn_in + c.end), half)
        elif fault in ("turn_in_early", "turn_in_late"):
            # the same bend made sooner or later: moved along the way in, and back to the line after it
            late = 1.0 if fault == "turn_in_late" else -1.0
            if late < 0.0:
                # the apex comes too soon: the throttle has to wait for the exit
                plan.drive[c.drive : c.drive + 2 * x] = 0.3
            turned = np.cumsum(np.where(at >= c.turn_in - 10, self.curvature * c.sign, 0.0))
            angle = np.clip(turned, 0.0, 0.2)
            stop = c.turn_in + 0.3 * (c.end - c.turn_in)
            window = 0.5 - 0.5 * np.tanh((at - stop - 15) / 12.0)
            inside = (at > c.turn_in - 60) & (at < c.end + 80)
            plan.offset += gaussian_filter1d(np.where(inside, out * late * amount * np.sin(angle) * window, 0.0), 6.0)
        elif fault in ("gear_high", "gear_low"):
            zone = slice(c.brake + 20, min(c.end + 120, self.n))
            plan.gear[zone] = amount if fault == "gear_high" else -amount
            plan.drive[zone] = 0.7
        else:
            raise ValueError(fault)

    def run(
        self,
        faults: dict[int, list[tuple[int, str, float, bool]]],
        laps: int,
        rate: float,
        seed: int = 0,
        scatter: float = 0.0,
        noise: tuple[float, float] = (0.0, 0.0),
    ) -> tuple[Columns, list[PlainTruth]]:
        """``faults[lap]`` is a list of (corner, fault, amount, other); ``scatter`` 1 is a practised driver's."""
        rng = np.random.default_rng(seed)
        points, speeds, throttles, brakes, gears, marks = [], [], [], [], [], []
        for lap in range(laps):
            plain, plan = self.plan(), self.plan()
            for c in self.corners:
                pace, brake = rng.standard_normal(2)
                at = np.arange(self.n)
                near = (1.0 - np.clip(np.abs(at - c.slowest) / 60.0, 0, 1) ** 2) ** 3
                for p in (plain, plan):
                    p.limit *= 1.0 + scatter * 0.25 / c.speed * pace * near
                    p.brake[max(c.brake - 40, 0) : c.slowest] *= 1.0 + scatter * 0.02 * brake
            wander = np.interp(np.arange(self.n), np.linspace(0, self.n, 40), np.append(rng.standard_normal(39), 0.0))
            wander[0] = 0.0
            wander = scatter * 0.15 * gaussian_filter1d(wander, 30.0, mode="wrap")
            for p in (plain, plan):
                p.offset += wander
            base, base_step = self.solve(plain)
            base_s = base_step / base
            for corner, fault, amount, other in faults.get(lap, []):
                alone = self.plan()
                alone.offset[:], alone.limit[:], alone.brake[:] = plain.offset, plain.limit, plain.brake
                self.apply(alone, self.corners[corner], fault, amount, other)
                v, step = self.solve(alone)
                marks.append((lap, corner, fault, amount, np.cumsum(step / v - base_s)))
                self.apply(plan, self.corners[corner], fault, amount, other)
            v, step = self.solve(plan)
            # laps are joined where the car is fastest
            a = np.gradient(v * v / 2) / step
            drag = self.car.drag * v * v
            pull = np.minimum(self.car.drive, self.car.power / v) * np.where(plan.gear != 0.0, plan.drive, 1.0)
            throttle = np.clip((a + drag) / pull, 0.0, 1.0)
            brake = np.clip(-(a + drag) / self.car.brake, 0.0, 1.0)
            throttle[throttle < 0.02] = 0.0
            brake[brake < 0.02] = 0.0
            throttle[plan.idle] = brake[plan.idle] = 0.0
            points.append(self.line + plan.offset[:, None] * self.normal)
            speeds.append(v)
            throttles.append(throttle)
            brakes.append(brake)
            gears.append(np.clip(np.floor(v / 11.0), 1, 6) + plan.gear)
        xy, v = np.concatenate(points), np.concatenate(speeds)
        way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        t = np.concatenate([[0.0], np.cumsum(np.diff(way) * 2.0 / (v[1:] + v[:-1]))])
        truth = [
            PlainTruth(
                float(t[lap * self.n + self.corners[c].slowest]),
                lap,
                c,
                fault,
                amount,
                float(late[-1]),
                (t[lap * self.n : (lap + 1) * self.n], late),
            )
            for lap, c, fault, amount, late in marks
        ]
        clock = np.arange(0.0, t[-1], 1.0 / rate)
        place = np.interp(clock, t, way)
        line = CubicSpline(way, xy)
        columns = Columns.empty(len(clock))
        at = line(place)
        columns["t_s"][:] = clock
        columns["x_m"][:] = at[:, 0] + noise[0] * rng.standard_normal(len(clock))
        columns["y_m"][:] = at[:, 1] + noise[0] * rng.standard_normal(len(clock))
        columns["speed_mps"][:] = np.interp(place, way, v) + noise[1] * rng.standard_normal(len(clock))
        columns["throttle"][:] = np.interp(place, way, np.concatenate(throttles))
        columns["brake"][:] = np.interp(place, way, np.concatenate(brakes))
        columns["gear"][:] = np.concatenate(gears)[np.clip(np.searchsorted(way, place), 0, len(way) - 1)]
        return columns, truth
