"""A third simulator, the kind an outsider writes in an afternoon: it shares nothing with the other two.

A polygon with rounded corners, and a car that is stepped through time by a driver with a rule a corner: full throttle
to a brake place, so much pedal down to a speed, that speed held to a place, full throttle again. Each fault changes one
of these numbers. No grip circle, no optimal line, no gradient. ``rows`` gives a log as a stranger's logger would.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

Floats = NDArray[np.float64]
STEP_M, STEP_S = 0.5, 0.01
FAULTS = {
    "brake_early": (12.0, 30.0),
    "brake_soft": (0.2, 0.4),
    "slow_middle": (1.0, 3.0),
    "throttle_late": (10.0, 30.0),
    "coasting": (15.0, 35.0),
    "exit_narrow": (2.0, 4.0),
}
LIFTED = 3.0
"""A lift before braking costs little: it is this many times as long as a roll after it."""


@dataclass(frozen=True)
class OutsideCar:
    """Cornering and braking [m/s2], pull limit [m/s2], power per mass [W/kg], drag [1/m], closed throttle [m/s2]."""

    grip: float = 12.0
    brake: float = 9.5
    pull: float = 5.5
    power: float = 230.0
    drag: float = 0.0008
    coast: float = 0.5
    throttle_per_s: float = 4.0
    brake_per_s: float = 8.0


@dataclass(frozen=True)
class Rule:
    """How one corner is driven: places [m] and speed [m/s]; ``hold_m`` is where the speed should be reached."""

    brake_m: float
    hold_m: float
    drive_m: float
    out_m: float
    speed: float
    sign: int
    pedal: float = 0.85
    lift_m: float = 0.0
    roll_m: float = 0.0
    share: float = 1.0
    inside_m: float = 0.0


@dataclass(frozen=True)
class OutsideTruth:
    """One injected fault: session time where its speed should be reached, amount, cost up to the next braking."""

    t_s: float
    fault: str
    amount: float
    cost_s: float


@dataclass
class Driven:
    """One lap stepped through time: rows of t, s, v, throttle, brake."""

    rows: list[tuple[float, float, float, float, float]] = field(default_factory=list)

    def at(self, place_m: float) -> float:
        """The time [s] at a place."""
        rows = np.array(self.rows)
        return float(np.interp(place_m, rows[:, 1], rows[:, 0]))


class OutsideSim:
    """A circuit from a seed and a car."""

    def __init__(self, seed: int, length_m: float = 3400.0, corners: int = 7, car: OutsideCar | None = None) -> None:
        self.car = car or OutsideCar()
        self.line = self._circuit(np.random.default_rng(seed), length_m, corners)
        d = np.roll(self.line, -1, axis=0) - np.roll(self.line, 1, axis=0)
        size = np.hypot(*d.T)
        self.left = np.column_stack([-d[:, 1], d[:, 0]]) / size[:, None]
        heading = np.unwrap(np.arctan2(d[:, 1], d[:, 0]))
        self.curvature = np.gradient(heading) / STEP_M
        self.length_m = len(self.line) * STEP_M
        self.rules = self._calibrated(self._rules())

    @staticmethod
    def _circuit(rng: np.random.Generator, length_m: float, corners: int) -> Floats:
        """A star-shaped polygon, its corners rounded, laid out at STEP_M from the middle of its longest side."""
        angle = np.sort((np.arange(corners) + rng.uniform(-0.25, 0.25, corners)) * 2.0 * np.pi / corners)
        reach = rng.uniform(0.5, 1.3, corners)
        points = reach[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        sides = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
        points = np.roll(points, -int(np.argmax(sides)) - 1, axis=0) * length_m / sides.sum()
        points = np.vstack([0.5 * (points[-1] + points[0]), points, 0.5 * (points[-1] + points[0])])
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        at = np.arange(0.0, s[-1] - 0.5 * STEP_M, STEP_M)
        wide = float(rng.uniform(24.0, 34.0))
        xy = [gaussian_filter1d(np.interp(at, s, points[:, i]), wide / STEP_M, mode="wrap") for i in (0, 1)]
        even = np.column_stack(xy)
        closed = np.vstack([even, even[:1]])
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
        at = np.linspace(0.0, s[-1], round(s[-1] / STEP_M), endpoint=False)
        return np.column_stack([np.interp(at, s, closed[:, i]) for i in (0, 1)])

    def _rules(self) -> list[Rule]:
        k = np.abs(self.curvature)
        bend = k > 0.25 * np.quantile(k, 0.97)
        edges = np.flatnonzero(np.diff(bend.astype(int)))
        spans = [(a, b) for a, b in pairwise(edges) if bend[a + 1]]
        out = []
        for a, b in spans:
            speed = float(np.sqrt(self.car.grip / k[a : b + 1].max()))
            if speed < 62.0 and (b - a) * STEP_M > 15.0:
                top = a + int(np.argmax(k[a : b + 1]))
                hold = float(a + 0.6 * (top - a)) * STEP_M
                drive = float(top + 0.25 * (b - top)) * STEP_M
                out.append(Rule(hold - 40.0, hold, drive, float(b) * STEP_M, speed, int(np.sign(self.curvature[top]))))
        return out

    def _calibrated(self, rules: list[Rule]) -> list[Rule]:
        """Brake places so that each speed is reached where it should be; a corner taken flat out is none."""
        for _ in range(8):
            lap = np.array(self.drive(rules, self._start(rules)).rows)
            kept = []
            for r in rules:
                here = (lap[:, 1] > r.brake_m) & (lap[:, 1] < r.out_m)
                if lap[here][0, 2] < r.speed + 3.0:
                    continue
                shift = r.hold_m - self._reached(lap, r)
                kept.append(replace(r, brake_m=r.brake_m + min(max(shift, -60.0), 60.0)))
            rules = kept
        return rules

    @staticmethod
    def _reached(lap: Floats, r: Rule) -> float:
        """Where the corner's speed is reached, all but 0.5 m/s [m]."""
        there = lap[(lap[:, 1] > r.brake_m) & (lap[:, 1] < r.out_m)]
        slow = np.flatnonzero(there[:, 2] <= r.speed + 0.5)
        if not len(slow) or slow[0] == 0:
            return r.out_m
        k = slow[0]
        return float(np.interp(-r.speed - 0.5, -there[k - 1 : k + 1, 2], there[k - 1 : k + 1, 1]))

    def _start(self, rules: list[Rule]) -> float:
        return self.drive(rules, 40.0).rows[-1][2]

    def drive(self, rules: list[Rule], speed: float) -> Driven:
        """One lap from the line at ``speed``."""
        car, out = self.car, Driven()
        t, s, v, throttle, brake = 0.0, 0.0, speed, 1.0, 0.0
        left = list(rules)
        slowed = False
        while s < self.length_m:
            out.rows.append((t, s, v, throttle, brake))
            want, press = 1.0, 0.0
            if left:
                r = left[0]
                if s >= r.brake_m - r.lift_m:
                    want = 0.0
                if s >= r.brake_m and not slowed:
                    press = min(r.pedal, max(v - r.speed, 0.0) * 0.6 + 0.05)
                    slowed = v <= r.speed + 0.1
                if slowed:
                    # as much throttle as holds the speed
                    hold = (car.drag * v * v + car.coast + 2.0 * (r.speed - v)) / self._pull(v)
                    want, press = min(max(hold, 0.0), 1.0), 0.0
                    if r.roll_m and s >= r.drive_m - r.roll_m:
                        want = 0.0
                if s >= r.drive_m:
                    want, press = r.share, 0.0
                if s >= r.out_m + 20.0 or (s >= r.drive_m and r.share == 1.0):
                    left.pop(0)
                    slowed = False
            throttle += min(max(want - throttle, -4.0 * car.throttle_per_s * STEP_S), car.throttle_per_s * STEP_S)
            brake += min(max(press - brake, -car.brake_per_s * STEP_S), car.brake_per_s * STEP_S)
            a = throttle * self._pull(v) - brake * car.brake - car.drag * v * v - (1.0 - throttle) * car.coast
            if t > 0.0 or s > 0.0:
                v = max(v + a * STEP_S, 5.0)
            s += v * STEP_S
            t += STEP_S
        # the last row lies on the line
        t0, s0, v0, gas, stop = out.rows[-1]
        over = (self.length_m - s0) / max(v0, 1.0)
        out.rows.append((t0 + over, self.length_m, v, gas, stop))
        return out

    def _pull(self, v: float) -> float:
        return min(self.car.pull, self.car.power / max(v, 5.0))

    def faulty(self, rules: list[Rule], i: int, fault: str, amount: float, other: bool, speed: float) -> list[Rule]:
        """The rules with one fault at corner ``i``; ``other`` picks a second way to do it where there is one."""
        r = rules[i]
        again = False
        if fault == "brake_early":
            r = replace(r, brake_m=r.brake_m - amount)
        elif fault == "brake_soft":
            r, again = replace(r, pedal=r.pedal * (1.0 - amount), brake_m=r.brake_m - 20.0), True
        elif fault == "slow_middle":
            r, again = replace(r, speed=r.speed - amount), True
        elif fault == "throttle_late":
            r = replace(r, drive_m=r.drive_m + amount)
        elif fault == "coasting" and other:
            r, again = replace(r, lift_m=LIFTED * amount), True
        elif fault == "coasting":
            r = replace(r, roll_m=amount)
        elif fault == "exit_narrow":
            r = replace(r, inside_m=amount, share=0.75)
        else:
            raise ValueError(fault)
        out = [*rules]
        out[i] = r
        if again:
            # a driver still wants his speed where he has it otherwise
            aim = self._reached(np.array(self.drive(rules, speed).rows), rules[i])
            for _ in range(6):
                lap = np.array(self.drive(out, speed).rows)
                shift = aim - self._reached(lap, out[i])
                out[i] = replace(out[i], brake_m=out[i].brake_m + min(max(shift, -40.0), 40.0))
                if abs(shift) < 0.1:
                    break
        return out

    def run(
        self,
        faults: dict[int, list[tuple[int, str, float, bool]]],
        laps: int,
        rate: float,
        seed: int = 0,
        scatter: float = 1.0,
        noise: tuple[float, float] = (0.0, 0.0),
    ) -> tuple[dict[str, Floats], list[OutsideTruth]]:
        """A session: channels t_s, lap, x_m, y_m, speed_mps, throttle, brake at ``rate``, and what was injected."""
        rng = np.random.default_rng(seed)
        speed, clock = self._start(self.rules), 0.0
        parts, truth = [], []
        for lap in range(laps):
            rules = [self._varied(r, scatter, rng) for r in self.rules]
            wander = gaussian_filter1d(rng.standard_normal(len(self.line)), 60.0 / STEP_M, mode="wrap")
            beside = 0.15 * scatter * wander / wander.std()
            for i, fault, amount, other in faults.get(lap, []):
                alone = self.drive(self.faulty(rules, i, fault, amount, other, speed), speed)
                # up to where the next corner is braked for: this driver brakes there however slowly he comes, and
                # what he then waits is the next corner's
                until = rules[i + 1].brake_m - 5.0 if i + 1 < len(rules) else self.length_m
                cost = alone.at(until) - self.drive(rules, speed).at(until)
                truth.append((lap, i, fault, amount * (LIFTED if fault == "coasting" and other else 1.0), cost))
            for i, fault, amount, other in faults.get(lap, []):
                rules[i] = self.faulty(rules, i, fault, amount, other, speed)[i]
            rows = np.array(self.drive(rules, speed).rows)
            for r in rules:
                if r.inside_m:
                    near = (np.arange(len(self.line)) * STEP_M - r.out_m) / 70.0
                    beside = beside + r.sign * r.inside_m * (1.0 - np.clip(np.abs(near), 0.0, 1.0) ** 2) ** 2
            at = np.minimum((rows[:-1, 1] / STEP_M).astype(int), len(self.line) - 1)
            share = rows[:-1, 1] / STEP_M - at
            nxt = (at + 1) % len(self.line)
            path = self.line + beside[:, None] * self.left
            xy = path[at] + share[:, None] * (path[nxt] - path[at])
            parts.append(np.column_stack([rows[:-1, 0] + clock, np.full(len(at), lap), xy, rows[:-1, 2:]]))
            for k, (where, i, *_) in enumerate(truth):
                if where == lap:
                    there = float(np.interp(self.rules[i].hold_m, rows[:, 1], rows[:, 0])) + clock
                    truth[k] = (-1, i, *truth[k][2:], there)  # type: ignore[assignment]
            clock += rows[-1, 0]
            speed = float(rows[-1, 2])
        table = np.concatenate(parts)
        t = np.arange(0.0, table[-1, 0], 1.0 / rate)
        names = ("t_s", "lap", "x_m", "y_m", "speed_mps", "throttle", "brake")
        out = {name: np.interp(t, table[:, 0], table[:, k]) for k, name in enumerate(names)}
        out["lap"] = np.floor(out["lap"] + 1e-6)
        for name, sigma in (("x_m", noise[0]), ("y_m", noise[0]), ("speed_mps", noise[1])):
            out[name] += sigma * rng.standard_normal(len(t))
        return out, [OutsideTruth(row[5], row[2], row[3], row[4]) for row in truth]  # type: ignore[misc]

    @staticmethod
    def _varied(r: Rule, scatter: float, rng: np.random.Generator) -> Rule:
        brake, speed, drive, pedal = np.clip(rng.standard_normal(4), -2.0, 2.0) * scatter
        return replace(
            r,
            brake_m=r.brake_m + 1.5 * brake,
            speed=r.speed + 0.2 * speed,
            drive_m=r.drive_m + 1.5 * drive,
            pedal=r.pedal * (1.0 + 0.02 * pedal),
        )
