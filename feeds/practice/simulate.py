"""Simulated runs with ground truth: every lap's time, and the cost of each fault."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from feeds.frame import Floats, Frame
from feeds.practice.car import PracticeCar
from feeds.practice.circuit import Circuit
from feeds.practice.faultless import Faultless, faultless
from feeds.practice.faults import ODD_UNITS, UNITS, FaultPlan, Habit, Scatter
from feeds.practice.planner import DrivenStretch, Planner
from feeds.practice.sampling import Noise, Sampled, Sampler, frames_of
from feeds.practice.speed_profile import travel_time

OUT_LAP_M = 500.0
ROLLING_MPS = 25.0


@dataclass(frozen=True)
class FaultTruth:
    """One fault in one pass: its amount, and the time lost against the same run without it.

    The time [s] covers the corner, the next straight, and the effect of a changed line in the next corner: the
    difference in lap time.
    """

    lap: int
    corner: int
    name: str
    fault: str
    amount: float
    unit: str
    cost_s: float


class Run:
    """A run driven stretch by stretch; ``simulate`` and the practice feed share it.

    ``plan`` may be replaced between stretches. The run starts rolling ``out_lap_m`` before the finish line.
    """

    def __init__(
        self,
        base: Faultless,
        *,
        rate_hz: float = 60.0,
        seed: int = 0,
        plan: FaultPlan | None = None,
        scatter: Scatter | None = None,
        out_lap_m: float = OUT_LAP_M,
    ) -> None:
        self.base = base
        self.seed = seed
        self.plan = plan or FaultPlan()
        self.planner = Planner(base, seed, scatter or Scatter())
        self.sampler = Sampler(base, rate_hz)
        m = len(base.circuit)
        self._node = m - int(np.clip(round(out_lap_m / base.circuit.step_m), 60, m))
        self._speed = min(ROLLING_MPS, float(base.limit_mps[self._node % m]))
        self._gear = 0
        for habit in self.plan.habits:
            base.corner(habit.corner)

    def habits(self, lap: int) -> Sequence[Habit]:
        """Return the faults of a lap; the out-lap has none."""
        return self.plan.on_lap(lap, np.random.default_rng([self.seed, 2, lap])) if lap > 0 else ()

    def advance(self, last: int | None = None) -> tuple[DrivenStretch, Sampled]:
        """Drive on to the next cut (or to node ``last`` of the run)."""
        first = self._node
        stop = self.planner.next_cut(first) if last is None else last
        drawn: dict[int, Sequence[Habit]] = {}

        def habits(lap: int) -> Sequence[Habit]:
            if lap not in drawn:
                drawn[lap] = self.habits(lap)
            return drawn[lap]

        passes = self.planner.passes(first, stop, habits)
        stretch = self.planner.drive(first, stop, passes, self._speed, gear=self._gear)
        self._node = stop
        self._speed, self._gear = float(stretch.driven.speed_mps[-1]), int(stretch.driven.gear[-1])
        return stretch, self.sampler.add(stretch)


@dataclass(frozen=True, eq=False)
class SimRun:
    """A simulated run. ``channels``: name of a Frame field -> values (k,), counts and flags as floats.

    ``lap_times_s[i]`` is the time of lap ``i + 1`` (lap 0 is the out-lap) from line to line.
    """

    base: Faultless
    channels: dict[str, Floats]
    lap_start_s: dict[int, float]
    stretches: tuple[DrivenStretch, ...]
    planner: Planner
    noise: Noise | None
    seed: int

    @property
    def lap_times_s(self) -> Floats:
        """Time of each timed lap [s], exact (not from frames)."""
        starts = [self.lap_start_s[lap] for lap in sorted(self.lap_start_s)]
        return np.diff(np.array(starts))

    def frames(self) -> Iterator[Frame]:
        """Yield the frames as a feed would send them, with the requested noise."""
        yield from frames_of(self.channels, self.noise, self.seed)

    @cached_property
    def truth(self) -> tuple[FaultTruth, ...]:
        """Every fault of every pass with its cost; computed on first use."""
        return tuple(fault for stretch in self.stretches for fault in faults_of(self.planner, stretch))


def _settled(base: Faultless, lap: int, index: int) -> int:
    """Return the run's node after which a fault at a corner has no effect: the slowest node two corners on."""
    m, corners = len(base.circuit), base.corners
    after = corners[(index + 1) % len(corners)]
    turns = lap + (1 if index + 1 == len(corners) else 0)
    return turns * m + round(after.after_m / base.circuit.step_m)


def faults_of(planner: Planner, stretch: DrivenStretch) -> Iterator[FaultTruth]:
    """Return the cost of each fault in a stretch by driving its part again without the fault."""
    base = planner.base
    m, step = len(base.circuit), base.circuit.step_m
    for i, (lap, index, habit) in enumerate(stretch.passes):
        corner = base.corners[index]
        a = max(stretch.first, lap * m + round(corner.before_m / step))
        b = min(stretch.last, _settled(base, lap, index))
        lo, hi = a - stretch.first, b - stretch.first
        passes = (*stretch.passes[:i], *stretch.passes[i + 1 :])
        v = stretch.driven.speed_mps
        other = planner.drive(a, b, passes, float(v[lo]), gear=int(stretch.driven.gear[lo]),
                              end_mps=float(stretch.limit_mps[hi]), taper=(stretch.first, stretch.last))  # fmt: skip
        spent = travel_time(stretch.path.step_m[lo : hi + 1], v[lo : hi + 1])[-1]
        best = travel_time(other.path.step_m, other.driven.speed_mps)[-1]
        amount = habit.amount
        unit = (UNITS | ODD_UNITS)[habit.fault]
        if unit == "gear":
            # the engine may not have allowed it
            gears = np.abs(stretch.driven.gear[lo : hi + 1] - other.driven.gear)
            slowest = lap * m + round(corner.slowest_m / step) - a
            held = gears[max(slowest, 0) :][:20]
            amount = float(held.max(initial=0.0))
        yield FaultTruth(lap, index, corner.name, habit.fault, amount, unit, float(spent - best))


def simulate(
    circuit: Circuit | Faultless,
    laps: int,
    *,
    rate_hz: float = 60.0,
    seed: int = 0,
    faults: FaultPlan | None = None,
    scatter: Scatter | None = None,
    car: PracticeCar | None = None,
    noise: Noise | None = None,
    out_lap_m: float = OUT_LAP_M,
) -> SimRun:
    """Drive ``laps`` timed laps after a short out-lap, and a little beyond the last finish line.

    Pass a ``Faultless`` instead of a circuit to reuse it (it includes the car). Deterministic for a ``seed``. Raise
    ValueError for an unknown corner or an impossible number.
    """
    if laps < 1:
        raise ValueError(f"laps: expected at least 1, found {laps}")
    base = circuit if isinstance(circuit, Faultless) else faultless(circuit, car)
    run = Run(base, rate_hz=rate_hz, seed=seed, plan=faults, scatter=scatter, out_lap_m=out_lap_m)
    end = (laps + 1) * len(base.circuit) + round(60.0 / base.circuit.step_m)
    stretches: list[DrivenStretch] = []
    sampled: list[Sampled] = []
    while not stretches or stretches[-1].last < end:
        stretch, out = run.advance()
        stretches.append(stretch)
        sampled.append(out)
    channels = {k: np.concatenate([out.channels[k] for out in sampled]) for k in sampled[0].channels}
    lap_start = {lap: t for out in sampled for lap, t in out.crossings.items() if lap <= laps + 1}
    keep = channels["t_s"] < lap_start[laps + 1] + 0.5
    kept = {k: v[keep] for k, v in channels.items()}
    return SimRun(base, kept, lap_start, tuple(stretches), run.planner, noise, seed)
