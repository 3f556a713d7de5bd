"""How often the diagnosis is right: laps with known faults in, findings against truth out.

python tests/tools/fault_bench.py                     every table: three simulators, clean and noisy at 20, 60, 100 Hz
python tests/tools/fault_bench.py --quick             40 passes a fault, clean and 20 Hz with noise only
python tests/tools/fault_bench.py --sim plain --noise --rate 20 --faults coasting --show 5

Circuits are generated (bench_circuits), never the demo circuit. Each fault gets its own session on each circuit,
in which most passes are faultless; a pass right after a faulty one is counted apart ("next").
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import msgspec
import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_circuits import centre_line
from outside_sim import FAULTS as OUTSIDE_AMOUNTS
from outside_sim import OutsideSim
from plain_sim import FAULTS as PLAIN_AMOUNTS
from plain_sim import PlainSim
from simulated import columns_of

from coach.app.rerun import rerun, settle_findings
from coach.app.setup import Setup
from coach.core.columns import Columns
from coach.core.passes import Driven
from coach.core.rules import RuleSet
from coach.core.values import Pass
from coach.survey.survey import Survey, survey
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
AMOUNTS = {**PLAIN_AMOUNTS, "turn_in_early": (10.0, 20.0), "turn_in_late": (10.0, 20.0)}
TOLERANCE = defaultdict(lambda: 3.0, brake_soft=0.1, throttle_soft=0.15, slow_middle=0.56, gear_high=0.5, gear_low=0.5)
"""3 m or 2 km/h; shares and gears ours."""
NEEDS_BRAKE = {"brake_early", "brake_late", "brake_soft", "brake_long", "coasting"}
CIRCUITS = {1: 3600.0, 2: 3900.0, 7: 5400.0, 5: 4800.0, 4: 4500.0}
"""Generator seed: length [m]. The first three are the bench, the others were kept unseen until the end."""
FAULTLESS = 8
"""Laps before the first fault; the reference is the best of them."""
SMALL_S = 0.03
SMALL_SIGMA = 2.0
"""A fault is one to find if it costs more than SMALL_S and than SMALL_SIGMA deviations of what the driver's faultless
passes through that corner lose: what is inside a driver's own scatter no one can tell. Both are the simulation's own
figures (the loss is a difference of times at places), nothing of the diagnosis."""


@dataclass(frozen=True)
class Truth:
    t_s: float
    fault: str
    amount: float
    cost_s: float


@cache
def practice_base(seed: int) -> Faultless:
    return faultless(circuit_from_centre_line(centre_line(seed, CIRCUITS[seed], 10.0)[::5]))


@cache
def plain_base(seed: int) -> PlainSim:
    xy = centre_line(seed, CIRCUITS[seed], 10.0)
    return PlainSim(xy[:, 0], xy[:, 1])


@cache
def outside_base(seed: int) -> OutsideSim:
    return OutsideSim(seed, CIRCUITS[seed])


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


def practice_session(
    circuit: int, fault: str, passes: int, seed: int, rate: float, noise: bool, scatter: float
) -> tuple[Columns, list[Truth]]:
    base = practice_base(circuit)
    usable = [c.index for c in base.corners if c.braked or fault not in NEEDS_BRAKE]
    rng = np.random.default_rng([seed, 78])
    low, high = AMOUNTS[fault]
    plan = spread_out(usable, len(base.corners), passes, seed)
    habits = [
        Habit(c, fault, float(rng.uniform(low, high)), laps=(lap,))
        for lap, row in enumerate(plan, start=FAULTLESS + 1)
        for c in row
    ]
    run = simulate(
        base, len(plan) + FAULTLESS, rate_hz=rate, seed=seed, faults=FaultPlan(tuple(habits)),
        scatter=Scatter(2.0 * scatter, 0.3 * scatter, 0.15 * scatter),
        noise=Noise(position_m=0.3, speed_mps=0.1) if noise else None,
    )  # fmt: skip
    return columns_of(run), truth_of(run, base)


def truth_of(run: SimRun, base: Faultless) -> list[Truth]:
    """What was driven wrong, with the time at which the car was slowest there."""
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


def faults_by_lap(
    corners: int, fault: str, amounts: tuple[float, float], passes: int, seed: int
) -> dict[int, list[tuple[int, str, float, bool]]]:
    """What is driven wrong in each lap after the faultless ones, as the two outside simulators take it."""
    rng = np.random.default_rng([seed, 78])
    return {
        lap: [(c, fault, float(rng.uniform(*amounts)), bool(rng.integers(2))) for c in row]
        for lap, row in enumerate(spread_out(list(range(corners)), corners, passes, seed), start=FAULTLESS)
    }


def plain_session(
    circuit: int, fault: str, passes: int, seed: int, rate: float, noise: bool, scatter: float
) -> tuple[Columns, list[Truth]]:
    sim = plain_base(circuit)
    faults = faults_by_lap(len(sim.corners), fault, AMOUNTS[fault], passes, seed)
    columns, marks = sim.run(
        faults, len(faults) + FAULTLESS + 1, rate, seed, scatter, (0.3, 0.1) if noise else (0.0, 0.0)
    )
    return columns, [Truth(m.t_s, m.fault, m.amount, m.cost_s) for m in marks]


def outside_session(
    circuit: int, fault: str, passes: int, seed: int, rate: float, noise: bool, scatter: float
) -> tuple[Columns, list[Truth]]:
    sim = outside_base(circuit)
    faults = faults_by_lap(len(sim.rules), fault, OUTSIDE_AMOUNTS[fault], passes, seed)
    channels, marks = sim.run(
        faults, len(faults) + FAULTLESS + 1, rate, seed, scatter, (0.3, 0.1) if noise else (0.0, 0.0)
    )
    columns = Columns.empty(len(channels["t_s"]))
    for name, values in channels.items():
        columns[name][:] = values
    return columns, [Truth(m.t_s, m.fault, m.amount, m.cost_s) for m in marks]


MAKERS = {"practice": practice_session, "plain": plain_session, "outside": outside_session}


@dataclass
class Score:
    """Counts over passes; ``confusion[injected]`` counts what was reported."""

    passes: Counter[str] = field(default_factory=Counter)
    confusion: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    amount_off: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    cost_ratio: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    clean: int = 0
    clean_reported: int = 0
    next: int = 0
    next_reported: int = 0
    small: Counter[str] = field(default_factory=Counter)
    oversum: int = 0

    def add(self, other: Score) -> None:
        self.passes.update(other.passes)
        self.small.update(other.small)
        for name in ("confusion", "amount_off", "cost_ratio"):
            for key, value in getattr(other, name).items():
                if name == "confusion":
                    self.confusion[key].update(value)
                else:
                    getattr(self, name)[key] += value
        for name in ("clean", "clean_reported", "next", "next_reported", "oversum"):
            setattr(self, name, getattr(self, name) + getattr(other, name))


def diagnose(columns: Columns, first_fault_s: float) -> list[tuple[Pass, Driven]]:
    """Survey and debrief of a session; the reference is the best lap before ``first_fault_s``."""
    found = surveyed(columns, first_fault_s)
    setup = Setup("bench", found.reference, found.corners, RuleSet("none", "improving", ()))
    result = rerun([columns], setup)
    return list(zip(settle_findings(result), result.pipeline.kept or [], strict=True))


def surveyed(columns: Columns, first_fault_s: float) -> Survey:
    """The survey with the best of the faultless laps as reference: a fault in the reference is no one's mistake."""
    found = survey(columns, circuit="bench")
    clean = [lap for lap in found.laps if lap.valid and lap.t_s + lap.time_s < first_fault_s - 5.0]
    best = min(clean, key=lambda lap: lap.time_s)
    if best.number == found.reference_lap:
        return found
    return survey(columns, circuit="bench", reference_lap=best.number)


def score_session(fault: str, columns: Columns, truth: list[Truth], show: int = 0) -> Score:
    return score_passes(fault, diagnose(columns, min(t.t_s for t in truth)), truth, show)


def score_passes(fault: str, passes: list[tuple[Pass, Driven]], truth: list[Truth], show: int = 0) -> Score:
    score = Score()
    pairs = [(p, d) for p, d in passes if d.trace is not None]
    at = np.array([d.trace.at("t_s", d.zone.apex_m) for _, d in pairs if d.trace is not None])
    hit: dict[int, list[Truth]] = defaultdict(list)
    for t in truth:
        # the product may cut corners otherwise: of the passes around the fault it is the one that lost
        near = np.flatnonzero(np.abs(at - t.t_s) < 5.0)
        if len(near):
            hit[int(max(near, key=lambda i: pairs[i][1].total_s))].append(t)
    free: dict[int, list[float]] = defaultdict(list)
    for i, (_, d) in enumerate(pairs):
        if i not in hit and i - 1 not in hit:
            free[d.corner].append(d.total_s)
    least = {c: max(SMALL_S, SMALL_SIGMA * float(np.std(x))) for c, x in free.items()}
    for i, (p, d) in enumerate(pairs):
        names = [f.fault for f in p.findings]
        total = p.loss_s + p.loss_straight_s
        score.oversum += sum(f.cost_s for f in p.findings) > 1.1 * max(total, 0.0) + 1e-9
        if i not in hit:
            if i - 1 in hit:
                score.next += 1
                score.next_reported += bool(names)
                continue
            score.clean += 1
            score.clean_reported += bool(names)
            score.confusion["-"].update(names)
            if show and names:
                report("FALSE", p, d, None)
            continue
        t = hit[i][0]
        if t.cost_s < least.get(d.corner, SMALL_S):
            score.small[fault] += 1
            continue
        score.passes[fault] += 1
        score.confusion[fault].update(list[str](names) or ["nothing"])
        if fault in names:
            f = next(f for f in p.findings if f.fault == fault)
            score.amount_off[fault].append(f.amount - t.amount)
            score.cost_ratio[fault].append(f.cost_s / t.cost_s)
        if show and names != [fault]:
            show -= 1
            report("WRONG", p, d, t)
    return score


def report(word: str, p: Pass, d: Driven, t: Truth | None) -> None:
    what = "" if t is None else f"{t.fault} {t.amount:.2f} cost {t.cost_s:.3f}"
    print(f"{word} lap {p.lap} corner {p.corner} {what} loss {p.loss_s + p.loss_straight_s:.3f} =",
          f"e {p.loss_entry_s:.3f} m {p.loss_middle_s:.3f} x {p.loss_exit_s:.3f} s {p.loss_straight_s:.3f}",
          [(f.fault, round(f.amount, 2), round(f.cost_s, 3)) for f in p.findings])  # fmt: skip
    print("      ", {k: round(v, 2) for k, v in d.gaps.items() if v == v})
    base = d.zone.start_m - d.zone.start_m % 1.0
    print("      ", {k: round(v - base, 1) for k, v in msgspec.structs.asdict(d.zone).items() if k.endswith("_m")})


def table(score: Score) -> bool:
    """Print recall, precision, errors of amount and cost, and the confusion counts; whether all is as wanted."""
    columns = sorted({k for row in score.confusion.values() for k in row})
    for fault in score.passes:
        n, row = score.passes[fault], score.confusion[fault]
        wrong = sum(v for k, v in row.items() if k not in (fault, "nothing"))
        off = np.array(score.amount_off[fault] or [0.0])
        ratio = np.array(score.cost_ratio[fault] or [1.0])
        print(f"{fault:14s} n {n:4d} (small {score.small[fault]:3d}) recall {row[fault] / max(n, 1):.3f} "
              f"precision {row[fault] / max(row[fault] + wrong, 1):.3f} "
              f"amount {np.median(off):+6.2f} within {np.mean(np.abs(off) <= TOLERANCE[fault]):.2f} "
              f"cost x{np.median(ratio):.2f} within 20% {np.mean(np.abs(ratio - 1) <= 0.2):.2f}  "
              + " ".join(f"{k}:{row[k]}" for k in columns if row[k] and k != fault))  # fmt: skip
    print(f"faultless {score.clean} reported {score.clean_reported} = "
          f"{score.clean_reported / max(score.clean, 1):.4f} {dict(score.confusion['-'])}; "
          f"next {score.next} reported {score.next_reported}; costs above loss {score.oversum}")  # fmt: skip
    return True


def job(args: tuple[str, int, str, int, int, float, bool, float, int]) -> Score:
    sim, circuit, fault, passes, seed, rate, noise, scatter, show = args
    columns, truth = MAKERS[sim](circuit, fault, passes, seed, rate, noise, scatter)
    return score_session(fault, columns, truth, show)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--passes", type=int, default=200)
    parser.add_argument("--faults", nargs="*", default=list(SIX))
    parser.add_argument("--more", action="store_true", help="the other nine faults too")
    parser.add_argument("--sim", nargs="*", default=list(MAKERS))
    parser.add_argument("--circuits", nargs="*", type=int, default=list(CIRCUITS)[:3])
    parser.add_argument("--noise", action="store_true", help="this one setting: 0.3 m and 0.1 m/s")
    parser.add_argument("--clean", action="store_true", help="this one setting: no noise")
    parser.add_argument("--rate", type=float, default=60.0)
    parser.add_argument("--scatter", type=float, default=1.0, help="share of a practised driver's scatter")
    parser.add_argument("--show", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    settings = [(False, 60.0), (True, 20.0), (True, 60.0), (True, 100.0)]
    if args.quick:
        settings, args.passes = settings[:2], 40
    if args.noise or args.clean:
        settings = [(args.noise, args.rate)]
    faults = [*args.faults, *(MORE if args.more else ())]
    share = -(-args.passes // len(args.circuits))
    with ProcessPoolExecutor(args.workers) as pool:
        for sim in args.sim:
            for noise, rate in settings:
                began = time.time()
                jobs = [
                    (sim, c, f, share, args.seed, rate, noise, args.scatter, args.show)
                    for f in faults for c in args.circuits
                ]  # fmt: skip
                score = Score()
                run = map(job, jobs) if args.workers < 2 else pool.map(job, jobs)
                for part in run:
                    score.add(part)
                print(f"== {sim} {'0.3 m 0.1 m/s' if noise else 'clean'} {rate:.0f} Hz ({time.time() - began:.0f} s)")
                table(score)


if __name__ == "__main__":
    main()
