"""Sessions with known faults, from each of the four simulators, as the core takes them."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
from bench_circuits import centre_line
from circuit_sets import LENGTHS
from outside_sim import FAULTS as OUTSIDE_AMOUNTS
from outside_sim import OutsideSim
from plain_sim import FAULTS as PLAIN_AMOUNTS
from plain_sim import PlainSim
from simulated import columns_of, filled
from transient_car import HEAVY, LIGHT
from transient_faults import FAULTS as TRANSIENT_AMOUNTS
from transient_road import road_of
from transient_sim import Session, TransientSim

from coach.core.columns import Columns, Floats
from feeds.frame import CHANNELS
from feeds.practice import FaultPlan, Habit, Noise, Scatter, SimRun, faultless, simulate
from feeds.practice.circuit import circuit_from_centre_line
from feeds.practice.faultless import Faultless

SIX = ("brake_early", "brake_soft", "slow_middle", "throttle_late", "coasting", "exit_narrow")
MORE = (
    "brake_late",
    "brake_long",
    "turn_in_early",
    "turn_in_late",
    "apex_missed",
    "throttle_soft",
    "exit_wide",
    "gear_high",
    "gear_low",
)
ALL = (*SIX, *MORE)
AMOUNTS = {**PLAIN_AMOUNTS, "turn_in_early": (10.0, 20.0), "turn_in_late": (10.0, 20.0)}
NEEDS_BRAKE = {"brake_early", "brake_late", "brake_soft", "brake_long", "coasting"}
FAULTLESS = 8
"""Laps before the first fault; the reference is the best of them."""


@dataclass(frozen=True)
class Truth:
    """A fault that was driven; ``t_s`` is true time at the slowest place.

    ``lost`` are times (n,) and the part of the cost that was lost until then (n,); None where only the sum is known.
    """

    t_s: float
    fault: str
    amount: float
    cost_s: float
    lost: tuple[Floats, Floats] | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True)
class Ask:
    """One session: ``faults`` driven ``passes`` times each."""

    circuit: int
    faults: tuple[str, ...]
    passes: int
    seed: int
    scatter: float = 1.0


Setting = tuple[bool, float]
"""Whether with noise of 0.3 m and 0.1 m/s, and the rate [Hz]."""
Maker = Callable[[Ask, Setting], tuple[Columns, list[Truth]]]


@cache
def practice_base(seed: int) -> Faultless:
    return faultless(circuit_from_centre_line(centre_line(seed, LENGTHS[seed], 10.0)[::5]))


@cache
def plain_base(seed: int) -> PlainSim:
    xy = centre_line(seed, LENGTHS[seed], 10.0)
    return PlainSim(xy[:, 0], xy[:, 1])


@cache
def outside_base(seed: int) -> OutsideSim:
    return OutsideSim(seed, LENGTHS[seed])


@cache
def transient_base(seed: int, heavy: bool = False) -> TransientSim:
    return TransientSim(road_of(seed, LENGTHS[seed]), HEAVY if heavy else LIGHT)


def spread_out(usable: list[int], n: int, passes: int, seed: int) -> list[list[int]]:
    """Corners for each lap, no two of them neighbours."""
    rng = np.random.default_rng([seed, 77])
    laps: list[list[int]] = []
    left = passes
    while left > 0:
        taken: list[int] = []
        for c in rng.permutation(usable):
            if len(taken) < max(1, n // 4) and all((c - t) % n not in (0, 1, n - 1) for t in taken):
                taken.append(int(c))
        laps.append(taken[:left])
        left -= len(taken)
    return laps


def faults_by_lap(
    corners: int, faults: tuple[str, ...], amounts: dict[str, tuple[float, float]], passes: int, seed: int
) -> dict[int, list[tuple[int, str, float, bool]]]:
    """Faults of each lap after the faultless ones, in the form of three of the simulators."""
    rng = np.random.default_rng([seed, 78])
    order = iter([str(f) for f in rng.permutation(list(faults) * passes)] if len(faults) > 1 else list(faults) * passes)
    out: dict[int, list[tuple[int, str, float, bool]]] = {}
    for lap, row in enumerate(spread_out(list(range(corners)), corners, passes * len(faults), seed), start=FAULTLESS):
        out[lap] = []
        for c in row:
            fault = next(order)
            out[lap].append((c, fault, float(rng.uniform(*amounts[fault])), bool(rng.integers(2))))
    return out


def practice_session(ask: Ask, setting: Setting) -> tuple[Columns, list[Truth]]:
    base, (fault,) = practice_base(ask.circuit), ask.faults
    usable = [c.index for c in base.corners if c.braked or fault not in NEEDS_BRAKE]
    rng = np.random.default_rng([ask.seed, 78])
    plan = spread_out(usable, len(base.corners), ask.passes, ask.seed)
    habits = [
        Habit(c, fault, float(rng.uniform(*AMOUNTS[fault])), laps=(lap,))
        for lap, row in enumerate(plan, start=FAULTLESS + 1)
        for c in row
    ]
    run = simulate(
        base, len(plan) + FAULTLESS, rate_hz=setting[1], seed=ask.seed, faults=FaultPlan(tuple(habits)),
        scatter=Scatter(2.0 * ask.scatter, 0.3 * ask.scatter, 0.15 * ask.scatter),
        noise=Noise(position_m=0.3, speed_mps=0.1) if setting[0] else None,
    )  # fmt: skip
    return columns_of(run), truth_of(run, base)


def truth_of(run: SimRun, base: Faultless) -> list[Truth]:
    """The driven faults, with the time of the lowest speed there."""
    t, lap, distance = (run.channels[k] for k in ("t_s", "lap", "lap_distance_m"))
    truth = []
    for item in run.truth:
        place = base.corners[item.corner].slowest_m % base.circuit.length_m
        turns = int(np.floor(base.corners[item.corner].slowest_m / base.circuit.length_m))
        row = min(int(np.searchsorted(t, run.lap_start_s[item.lap + turns] + 0.2)), len(t) - 1)
        here = np.flatnonzero(lap == lap[row])
        i = here[np.argmin(np.abs(distance[here] - place))]
        truth.append(Truth(float(t[i]), item.fault, item.amount, item.cost_s))
    return truth


def noise_of(setting: Setting) -> tuple[float, float]:
    """Deviations of positions [m] and speeds [m/s]."""
    return (0.3, 0.1) if setting[0] else (0.0, 0.0)


def plain_session(ask: Ask, setting: Setting) -> tuple[Columns, list[Truth]]:
    sim = plain_base(ask.circuit)
    faults = faults_by_lap(len(sim.corners), ask.faults, AMOUNTS, ask.passes, ask.seed)
    columns, marks = sim.run(faults, len(faults) + FAULTLESS + 1, setting[1], ask.seed, ask.scatter, noise_of(setting))
    return columns, [Truth(m.t_s, m.fault, m.amount, m.cost_s, m.lost) for m in marks]


def outside_session(ask: Ask, setting: Setting) -> tuple[Columns, list[Truth]]:
    sim = outside_base(ask.circuit)
    faults = faults_by_lap(len(sim.rules), ask.faults, OUTSIDE_AMOUNTS, ask.passes, ask.seed)
    channels, marks = sim.run(faults, len(faults) + FAULTLESS + 1, setting[1], ask.seed, ask.scatter, noise_of(setting))
    return filled(channels), [Truth(m.t_s, m.fault, m.amount, m.cost_s) for m in marks]


@lru_cache(maxsize=1)
def transient_drive(ask: Ask) -> tuple[TransientSim, Session]:
    """Drives once what is sampled with and without noise; every other seed is the other car's."""
    sim = transient_base(ask.circuit, ask.seed % 2 == 0)
    faults = faults_by_lap(len(sim.corners), ask.faults, TRANSIENT_AMOUNTS, ask.passes, ask.seed)
    return sim, sim.drive(faults, len(faults) + FAULTLESS + 1, ask.seed, ask.scatter)


def transient_session(ask: Ask, setting: Setting) -> tuple[Columns, list[Truth]]:
    sim, session = transient_drive(ask)
    channels, marks = sim.sampled(session, setting[1], ask.seed, noise_of(setting))
    return filled(channels), [Truth(m.t_s, m.fault, m.amount, m.cost_s, m.lost) for m in marks]


MAKERS: dict[str, Maker] = {
    "transient": transient_session,
    "practice": practice_session,
    "plain": plain_session,
    "outside": outside_session,
}
DRIVES = {"transient": ALL, "practice": ALL, "plain": ALL, "outside": SIX}
"""The faults each simulator's driver can make."""


def make(sim: str, ask: Ask, setting: Setting, folder: Path | None = None) -> tuple[Columns, list[Truth]]:
    """A session, from ``folder`` if it was made before by the same code."""
    if folder is None:
        return MAKERS[sim](ask, setting)
    here = Path(__file__).parent
    code = b"".join(
        p.read_bytes() for p in sorted([*here.glob("*_sim.py"), *here.glob("transient_*.py"), Path(__file__)])
    )
    name = hashlib.sha256(code + repr((sim, ask, setting)).encode()).hexdigest()[:24]
    path = folder / f"{name}.pickle"
    if path.exists():
        channels, truth = pickle.loads(path.read_bytes())
        return filled(channels), truth
    columns, truth = MAKERS[sim](ask, setting)
    folder.mkdir(parents=True, exist_ok=True)
    kept = {c: np.array(columns[c]) for c in CHANNELS if not np.all(np.isnan(columns[c]))}
    path.write_bytes(pickle.dumps((kept, truth)))
    return columns, truth
