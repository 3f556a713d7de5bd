"""The run of a practice driver, stretch by stretch: each goes from one cut on the longest straight to the next.

A stretch is planned as a whole (line, braking, pedals) and starts with the speed the one before ended with,
so the run is one continuous drive over every finish line; habits can change between stretches.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from feeds.frame import Floats
from feeds.practice.circuit import bump, ease
from feeds.practice.driver import StretchPlan, applies, commit
from feeds.practice.faultless import Faultless, path_of
from feeds.practice.faults import Habit, Scatter
from feeds.practice.speed_profile import Demand, DriveResult, Path, brake_limit, drive

PAD = 16
LINE_EVERY_M = 120.0
TAPER_M = 80.0
MAX_DEVIATIONS = 2.0  # scatter is truncated at this many standard deviations

Passes = tuple[tuple[int, int, Habit], ...]
"""(lap, corner index, habit) in the order driven."""


@dataclass(frozen=True, eq=False)
class DrivenStretch:
    """A driven stretch: arrays (n,) at its nodes; node 0 is the run's node ``first``."""

    first: int
    offset_m: Floats
    points: Floats
    path: Path
    demand: Demand
    limit_mps: Floats
    driven: DriveResult
    passes: Passes

    @property
    def last(self) -> int:
        """The run's node at which the next stretch begins (it is this one's last node too)."""
        return self.first + len(self.offset_m) - 1


class Planner:
    """Plans and drives stretches of a run, deterministic for a seed."""

    def __init__(self, base: Faultless, seed: int, scatter: Scatter, cut_m: float | None = None) -> None:
        self.base = base
        self.seed = seed
        self.scatter = scatter
        self.cut = round((longest_straight(base) if cut_m is None else cut_m) / base.circuit.step_m)
        self._draws: dict[int, tuple[Floats, Floats, Floats]] = {}

    def next_cut(self, node: int) -> int:
        """Return the first cut at least 50 nodes after ``node`` of the run."""
        m = len(self.base.circuit)
        return node + 50 + (self.cut - node - 50) % m

    def passes(self, first: int, last: int, habits: Callable[[int], Sequence[Habit]]) -> Passes:
        """Return the driver's ``habits`` (of a lap) that take effect between two nodes of the run."""
        m, step = len(self.base.circuit), self.base.circuit.step_m
        out = []
        for lap in range(max(first // m - 1, 0), last // m + 2):
            there = [(self.base.corner(h.corner), h) for h in habits(lap) if h.amount > 0.0]
            for index, habit in sorted(there, key=lambda pair: pair[0]):
                apex = lap * m + round(self.base.corners[index].apex_m / step)
                if first <= apex < last and applies(self.base, index, habit.fault):
                    out.append((lap, index, habit))
        return tuple(out)

    def drive(
        self,
        first: int,
        last: int,
        passes: Passes,
        start_mps: float,
        *,
        gear: int = 0,
        end_mps: float | None = None,
        taper: tuple[int, int] | None = None,
    ) -> DrivenStretch:
        """Drive from node ``first`` to node ``last`` of the run, both included.

        ``taper`` are the nodes near which the line returns to the faultless one (default: the two ends).
        """
        base = self.base
        m, step = len(base.circuit), base.circuit.step_m
        plan = StretchPlan(base, first - PAD, last - first + 1 + 2 * PAD)
        self._vary(plan, taper or (first, last))
        for lap, index, habit in passes:
            commit(plan, base.corners[index], lap * m * step, habit)
        if passes:
            plan.unfold()
        path, points = path_of(base.circuit, plan.at_m, plan.offset_m)
        plan.grip *= plan.dirt()
        inner = slice(PAD, len(plan.nodes) - PAD)
        path = Path(path.step_m, path.curvature_pm, path.grade, path.bend_pm, plan.grip).part(inner.start, inner.stop)
        demand = plan.demand.part(inner.start, inner.stop)
        end = float(base.limit_mps[last % m]) if end_mps is None else end_mps
        limit = brake_limit(path, base.car, demand, end)
        driven = drive(path, base.car, demand, limit, start_mps, gear)
        return DrivenStretch(first, plan.offset_m[inner], points[inner], path, demand, limit, driven, passes)

    def _vary(self, plan: StretchPlan, taper: tuple[int, int]) -> None:
        """Apply the driver's scatter to the stretch: line, brake points and corner speeds."""
        if self.scatter == Scatter(0.0, 0.0, 0.0):
            return
        base, step = self.base, plan.step
        m = len(base.circuit)
        laps = range(int(plan.nodes[0]) // m - 1, int(plan.nodes[-1]) // m + 2)
        draws = [self._draw(lap) for lap in laps]
        k = len(draws[0][0])
        knots = (np.arange(len(laps) * k) / k + laps[0]) * (m * step)
        line = CubicSpline(knots, np.concatenate([d[0] for d in draws]))(plan.at_m)
        near = np.minimum(plan.nodes - taper[0], taper[1] - plan.nodes) * step
        plan.offset_m += self.scatter.line_m * line * ease((near - 20.0) / TAPER_M)
        for lap, (_, brake, speed) in zip(laps, draws, strict=True):
            start = lap * m * step
            for c in base.corners:
                if not plan.at_m[0] <= start + c.apex_m <= plan.at_m[-1]:
                    continue
                slower = self.scatter.speed_mps * float(speed[c.index]) / c.slowest_mps
                half = max(50.0, 0.5 * (c.end_m - c.turn_in_m))
                plan.demand.speed *= 1.0 + slower * bump(plan.at_m, start + c.slowest_m, half)
                if c.braked:
                    # harder or softer braking starts correspondingly later or earlier
                    begin = float(base.driven.speed_mps[round(c.brake_m / step) % m])
                    slowing = (begin**2 - c.slowest_mps**2) / (2.0 * base.car.brake_full_mps2)
                    share = self.scatter.brake_m * float(brake[c.index]) / max(0.85 * slowing, 20.0)
                    zone = plan.zone(start + c.brake_m - 40.0, start + max(c.slowest_m, c.release_m))
                    plan.demand.brake[zone] *= 1.0 + float(np.clip(share, -0.1, 0.1))

    def _draw(self, lap: int) -> tuple[Floats, Floats, Floats]:
        """Return the lap's random numbers: line knots, brake points, corner speeds; they depend on the lap only."""
        if lap not in self._draws:
            rng = np.random.default_rng([self.seed, 1, lap + 10])
            k = max(round(self.base.circuit.length_m / LINE_EVERY_M), 4)
            n = len(self.base.corners)
            drawn = np.clip(rng.standard_normal(k + 2 * n), -MAX_DEVIATIONS, MAX_DEVIATIONS)
            self._draws[lap] = (drawn[:k], drawn[k : k + n], drawn[k + n :])
        return self._draws[lap]


def longest_straight(base: Faultless) -> float:
    """Return a place [m] well into the longest stretch at full throttle."""
    m = len(base.circuit)
    flat = np.tile(base.throttle >= 0.98, 2)
    edges = np.flatnonzero(np.diff(flat.astype(np.int8), prepend=0, append=0)).reshape(-1, 2)
    a, b = max(edges.tolist(), key=lambda ab: ab[1] - ab[0])
    return float((a + 0.45 * min(b - a, m)) % m) * base.circuit.step_m
