"""Is the reachable lap reachable: against the true optimum on the same line, in four simulators.

python tests/tools/reach_bench.py                          the development circuits, clean
python tests/tools/reach_bench.py --set tuning             the circuits that thresholds were tuned on
python tests/tools/reach_bench.py --noise 0.3 --rate 25    a satellite receiver: 0.3 m and 0.1 m/s a sample
python tests/tools/reach_bench.py --careful even           drivers who never use more than 85 % of the car
python tests/tools/reach_bench.py --write FILE             figures as flat records too

Each driver has one speed fault at each corner: at six of ten a habit of every lap, so that it is in his best lap too,
at the others in every second lap; and a practised driver's scatter. Without a fault he drives at the car's limit.
``lap`` is the reachable lap against the optimum on the same line, + slower; ``apex`` the corner whose lowest speed lies
highest above the true limit; ``rank`` Spearman's correlation, over corners, of the headroom (mean pass against the
reachable lap) with the true one; ``off`` the mean error of a corner's headroom. The truth never sees the product: the
practice and the plain simulator solve their own line at their own limits; the outside one has no grip circle and is
solved here. The transient car has no solver: its truth is the same driver's lap without fault or scatter. Its
careful driver plans with 85 % of what the other one plans with.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import pickle
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, astuple, dataclass, replace
from pathlib import Path
from unittest import mock

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.stats import spearmanr

sys.path.insert(0, str(Path(__file__).parent))

from bench_circuits import centre_line
from circuit_sets import ENVELOPE_SEALED, ENVELOPE_SEALED_TWO
from circuit_sets import SETS as COMMON_SETS
from generated_circuits import generated_circuit
from outside_sim import OutsideCar, OutsideSim
from plain_sim import PlainSim, Plan
from simulated import columns_of, filled
from transient_car import LIGHT
from transient_road import road_of
from transient_sim import TransientSim

from coach.core.columns import Columns, Floats
from coach.core.track.reference import Reference
from coach.core.track.zones import zones
from coach.survey import survey
from coach.survey.envelope.reachable import Reach, reach_of
from coach.survey.survey import Survey
from feeds.practice import FaultPlan, Habit, Noise, Scatter, faultless, simulate
from feeds.practice.driver import StretchPlan
from feeds.practice.speed_profile import Path as Line
from feeds.practice.speed_profile import lap_profile

HABITS = ("brake_early", "brake_soft", "slow_middle", "coasting", "throttle_late")
AMOUNTS = {
    "brake_early": (15.0, 40.0), "brake_soft": (0.15, 0.4), "slow_middle": (2.0, 5.0), "coasting": (15.0, 40.0),
    "throttle_late": (15.0, 40.0),
}  # fmt: skip
SHARE_OF_CORNERS = 0.6
CACHE = Path("/tmp/simcache")
SETS = {**COMMON_SETS, "envelope_sealed": ENVELOPE_SEALED, "envelope_sealed_two": ENVELOPE_SEALED_TWO}


@dataclass(frozen=True)
class Wrong:
    """A driver's fault at a corner, near a place [m]; ``always`` in every lap, else in every second one."""

    x_m: float
    y_m: float
    fault: str
    amount: float
    always: bool


@dataclass(frozen=True, eq=False)
class Session:
    """A driver's session, and the truth: positions (n, 2) and speeds (n,) of the optimum of each lap.

    ``best`` gives the optimum for a lap's number (its own line where the simulator has one), ``habits`` what the driver
    does wrong where.
    """

    columns: Columns
    points: dict[int, Floats]
    best: dict[int, Floats]
    habits: tuple[Wrong, ...] = ()


@dataclass(frozen=True)
class Row:
    """One session's figures; NaN where the reachable lap is unknown."""

    simulator: str
    seed: int
    lap_percent: float
    apex_percent: float
    rank: float
    off_s: float
    corners: int
    unknown: str
    proven: bool = False

    @property
    def says(self) -> str:
        """The product's word for the limits: the car's, at least so much, or unknown and why."""
        if self.unknown:
            return f"unknown: {self.unknown}"
        return "limit" if self.proven else "at least"


class ShySim(PlainSim):
    """A driver who asks for a share of the car that changes along the lap."""

    use: Floats | None = None

    def plan(self) -> Plan:
        """Nothing changed but what the driver dares."""
        made = super().plan()
        if self.use is not None:
            made.limit *= self.use**0.5
            made.brake *= self.use
        return made


def _care(careful: str, apexes: Sequence[float], nodes: int, rng: np.random.Generator) -> Floats:
    """Share of the grip that is dared at each node: 1, 0.85 everywhere, or 0.6 to 0.85 from corner to corner."""
    if careful != "uneven":
        return np.full(nodes, 0.85 if careful else 1.0)
    return np.interp(np.arange(nodes), apexes, rng.uniform(0.6, 0.85, len(apexes)), period=nodes)


def _fault(rng: np.random.Generator, laps: int) -> tuple[str, float, range]:
    """A fault, its amount, and the laps it is made in."""
    fault = str(rng.choice(HABITS))
    low, high = AMOUNTS[fault]
    return fault, float(rng.uniform(low, high)), range(0, laps + 2, 1 if rng.random() < SHARE_OF_CORNERS else 2)


def _habits(rng: np.random.Generator, corners: int, laps: int) -> dict[int, list[tuple[int, str, float, bool]]]:
    """Faults by lap: one at each of the first ``corners``, in some of the laps, by amounts that scatter."""
    faults: dict[int, list[tuple[int, str, float, bool]]] = {lap: [] for lap in range(laps)}
    for i in range(corners):
        fault, amount, when = _fault(rng, laps)
        for lap in [n for n in when if n < laps]:
            faults[lap].append((i, fault, amount * float(rng.normal(1.0, 0.15)), False))
    return faults


def _wrongs(faults: dict[int, list[tuple[int, str, float, bool]]], places: Sequence[Floats]) -> tuple[Wrong, ...]:
    """The habits of a driver whose faults by lap are known; ``places`` (2,) of the corners."""
    seen: dict[tuple[int, str], list[float]] = {}
    for rows in faults.values():
        for corner, fault, amount, _ in rows:
            seen.setdefault((corner, fault), []).append(amount)
    often = 0.75 * len(faults)
    return tuple(
        Wrong(float(places[c][0]), float(places[c][1]), fault, float(np.mean(amounts)), len(amounts) > often)
        for (c, fault), amounts in seen.items()
    )


def practice(seed: int, length_m: float, laps: int, rate: float, noise: float, careful: str) -> Session:
    """The practice car; the optimum is its own solver's on the very line of each lap."""
    base = faultless(generated_circuit(seed, length_m))
    rng = np.random.default_rng(seed)
    habits: list[Habit] = []
    for c in base.corners if not careful else ():
        fault, amount, when = _fault(rng, laps)
        habits.append(Habit(c.name, fault, amount, when, 0.15 * amount))
    m = len(base.circuit)
    use = _care(careful, [c.apex_m / base.circuit.step_m for c in base.corners], m, rng)
    clean = StretchPlan.dirt
    with mock.patch.object(StretchPlan, "dirt", lambda plan: clean(plan) * use[plan.nodes % m]):
        run = simulate(
            base, laps, rate_hz=rate, seed=seed, faults=FaultPlan(tuple(habits)), scatter=Scatter(),
            noise=Noise(position_m=noise, speed_mps=0.1) if noise else None,
        )  # fmt: skip
    points, best = {}, {}
    for lap in range(1, laps + 1):
        rows: dict[str, list[Floats]] = {"points": [], "step_m": [], "curvature_pm": [], "grade": [], "bend_pm": [],
                                         "grip": []}  # fmt: skip
        for stretch in run.stretches:
            a, b = max(lap * m, stretch.first) - stretch.first, min((lap + 1) * m, stretch.last) - stretch.first
            if a < b:
                rows["points"].append(stretch.points[a:b, :2])
                for name in ("step_m", "curvature_pm", "grade", "bend_pm", "grip"):
                    rows[name].append(getattr(stretch.path, name)[a:b])
                rows["grip"][-1] = rows["grip"][-1] / use[np.arange(stretch.first + a, stretch.first + b) % m]
        joined = {name: np.concatenate(parts) for name, parts in rows.items()}
        points[lap] = joined.pop("points")
        best[lap] = lap_profile(Line(**joined), base.car)[0].speed_mps
    columns = columns_of(run)
    if careful:
        # the simulator takes the dared share for a slippery road; on a dry one this driver reaches no limit
        for flag in ("traction_control", "anti_lock"):
            columns[flag][:] = 0.0
    circuit = base.circuit
    at = {c.name: round(c.apex_m / circuit.step_m) % m for c in base.corners}
    wrong = tuple(
        Wrong(
            float(circuit.x_m[at[str(h.corner)]]), float(circuit.y_m[at[str(h.corner)]]), h.fault, h.amount,
            h.laps is None or 1 in h.laps,
        )
        for h in habits
    )  # fmt: skip
    return Session(columns, points, best, wrong)


def plain(seed: int, length_m: float, laps: int, rate: float, noise: float, careful: str) -> Session:
    """The plain car; the optimum is its solver's on the line that its driver wanders about by 0.15 m."""
    line = centre_line(seed, length_m)
    best = PlainSim(line[:, 0], line[:, 1])
    sim = ShySim(line[:, 0], line[:, 1]) if careful else best
    rng = np.random.default_rng(seed)
    faults = _habits(rng, 0 if careful else len(sim.corners), laps)
    if isinstance(sim, ShySim):
        sim.use = _care(careful, [float(c.slowest) for c in sim.corners], sim.n, rng)
    columns, _ = sim.run(faults, laps, rate, seed=seed, scatter=1.0, noise=(noise, 0.1 if noise else 0.0))
    wrong = _wrongs(faults, [best.line[c.slowest] for c in sim.corners])
    return Session(columns, {0: best.line}, {0: best.speed}, wrong)


def outside(seed: int, length_m: float, laps: int, rate: float, noise: float, careful: str) -> Session:
    """The outside car, its driver allowed the whole pedal; the optimum is worked out here, without a grip circle."""
    sim = OutsideSim(seed, length_m, 8)
    sim.rules = sim._calibrated([replace(r, pedal=1.0) for r in sim.rules])
    rng = np.random.default_rng(seed)
    faults = _habits(rng, 0 if careful else len(sim.rules), laps)
    if careful:
        for i, r in enumerate(sim.rules):
            use = 0.85 if careful == "even" else rng.uniform(0.6, 0.85)
            sim.rules[i] = replace(r, speed=r.speed * use**0.5, pedal=r.pedal * use)
        sim.rules = sim._calibrated(sim.rules)
    channels, _ = sim.run(faults, laps, rate, seed=seed, noise=(noise, 0.1 if noise else 0.0))
    wrong = _wrongs(faults, [sim.line[round(r.hold_m / 0.5) % len(sim.line)] for r in sim.rules])
    return Session(filled(channels), {0: sim.line}, {0: _without_circle(sim.curvature, 0.5, sim.car)}, wrong)


def _without_circle(curvature: Floats, step: float, car: OutsideCar) -> Floats:
    """The fastest lap of a car whose tyres brake, turn and drive each as if alone."""
    cap = np.minimum(car.grip / np.maximum(np.abs(curvature), 1e-6), 150.0**2)
    v2 = np.tile(cap, 3).tolist()
    for k in range(len(v2) - 2, -1, -1):
        slow = car.brake + car.coast + car.drag * v2[k + 1]
        v2[k] = min(v2[k], v2[k + 1] + 2.0 * slow * step)
    for k in range(len(v2) - 1):
        pull = min(car.pull, car.power / v2[k] ** 0.5) - car.drag * v2[k]
        v2[k + 1] = min(v2[k + 1], v2[k] + 2.0 * pull * step)
    n = len(curvature)
    return np.asarray(np.sqrt(v2[n : 2 * n]))


def transient(seed: int, length_m: float, laps: int, rate: float, noise: float, careful: str) -> Session:
    """The transient car; its optimum is not known, so the truth is the same driver's lap without fault or scatter."""
    # care is what its driver plans with: at 0.97 of the grip he is at the limit
    sim = TransientSim(road_of(seed, length_m), replace(LIGHT, care=(0.85 if careful else 1.0) * LIGHT.care))
    rng = np.random.default_rng(seed)
    faults = _habits(rng, 0 if careful else len(sim.corners), laps)
    blur = (noise, 0.1 if noise else 0.0)
    channels, _ = sim.sampled(sim.drive(faults, laps, seed, 1.0), rate, seed, blur)
    columns = filled(channels)
    columns["lap"][:] = np.nan
    best = TransientSim(road_of(seed, length_m))
    clean, _ = best.sampled(best.drive({}, 2, seed, 0.0), 100.0, seed)
    half = slice(len(clean["t_s"]) // 2, None)
    wrong = _wrongs(faults, [sim.road.xy[c.slowest] for c in sim.corners])
    return Session(columns, {0: np.column_stack([clean["x_m"][half], clean["y_m"][half]])},
                   {0: clean["speed_mps"][half]}, wrong)  # fmt: skip


SIMULATORS: dict[str, Callable[..., Session]] = {
    "practice": practice, "plain": plain, "outside": outside, "transient": transient
}  # fmt: skip


def session(name: str, *args: object) -> Session:
    """A simulated session, kept on disk: the same arguments give the same one."""
    key = hashlib.sha256(repr((name, args, 12)).encode()).hexdigest()[:16]
    CACHE.mkdir(exist_ok=True)
    path = CACHE / f"reach_{name}_{key}.pickle"
    if path.is_file():
        # plain values: a class of this file has another name when the file is the program
        columns, points, best, habits = pickle.loads(path.read_bytes())
        return Session(columns, points, best, tuple(Wrong(*one) for one in habits))
    made = SIMULATORS[name](*args)
    path.write_bytes(pickle.dumps((made.columns, made.points, made.best, [astuple(one) for one in made.habits])))
    return made


def judge(name: str, seed: int, driven: Session) -> Row:
    """The figures of one session."""
    return judge_survey(name, seed, driven, survey(driven.columns, circuit="bench"))


def judge_survey(name: str, seed: int, driven: Session, found: Survey) -> Row:
    """The same of a session that is surveyed already."""
    reach = reach_of(found)
    assert reach is not None
    if reach.speed_mps is None:
        nan = float("nan")
        return Row(name, seed, nan, nan, nan, nan, len(found.corners), "; ".join(reach.fitted.unknown))
    ref = found.reference
    true = np.empty(len(ref))
    laps, points = _laps_and_points(reach, ref, [lap.number for lap in found.laps], found.reference_lap)
    for number in set(laps.tolist()):
        lap, here = number if number in driven.best else min(driven.best), laps == number
        true[here] = driven.best[lap][cKDTree(driven.points[lap]).query(points[here])[1]]
    step = reach.road.step_m
    ours, theirs, apex = [], [], []
    spent = reach.samples.spent_s.mean(axis=0)
    for zone in zones(found.corners, ref.length_m, ref.closed):
        at = np.arange(round(zone.start_m / ref.step_m), round(zone.next_start_m / ref.step_m)) % len(ref)
        ours.append(float(np.sum(spent[at] - step[at] / reach.speed_mps[at])))
        theirs.append(float(np.sum(spent[at] - step[at] / true[at])))
        mid = np.arange(round(zone.turn_in_m / ref.step_m), round(zone.end_m / ref.step_m)) % len(ref)
        apex.append(100.0 * float(reach.speed_mps[mid].min() / true[mid].min() - 1.0))
    times = [float(np.sum(step / v)) for v in (reach.speed_mps, true)]
    rank = float(spearmanr(ours, theirs).statistic)
    off = float(np.mean(np.abs(np.array(ours) - np.array(theirs))))
    return Row(
        name, seed, 100.0 * (times[0] / times[1] - 1.0), max(apex), rank, off, len(apex), "", reach.fitted.proven
    )


def _laps_and_points(
    reach: Reach, ref: Reference, numbers: Sequence[int], own: int
) -> tuple[NDArray[np.intp], Floats]:  # fmt: skip
    """The lap whose line the reachable lap follows at each node (n,), and the line (n, 2)."""
    points = np.column_stack([ref.x_m, ref.y_m])
    if reach.line is None:
        return np.full(len(ref), own), points
    left = np.column_stack([-np.sin(ref.heading_rad), np.cos(ref.heading_rad)])
    rows = reach.samples.rows[np.asarray(reach.line.rows)]
    return np.asarray(numbers)[rows], points + reach.line.offset_m[:, None] * left


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", choices=SETS, default="development")
    parser.add_argument("--simulators", nargs="+", choices=SIMULATORS, default=list(SIMULATORS))
    parser.add_argument("--laps", type=int, default=12)
    parser.add_argument("--rate", type=float, default=60.0)
    parser.add_argument("--noise", type=float, default=0.0, help="of a position [m]")
    parser.add_argument("--careful", choices=("even", "uneven"), default="")
    parser.add_argument("--write", type=Path, help="file of flat records to make or to add to")
    args = parser.parse_args()
    rows: list[Row] = []
    print(f"{'simulator':10} {'seed':>4} {'lap %':>7} {'apex %':>7} {'rank':>6} {'off s':>6} {'corners':>7}  says")
    for name in args.simulators:
        for seed, length in SETS[args.set].items():
            row = judge(name, seed, session(name, seed, length, args.laps, args.rate, args.noise, args.careful))
            rows.append(row)
            print(
                f"{name:10} {seed:4} {row.lap_percent:+7.2f} {row.apex_percent:+7.2f} {row.rank:6.2f} {row.off_s:6.3f}"
                f" {row.corners:7}  {row.says}",
                flush=True,
            )

    _sum_up(rows, args.careful)
    if args.write is not None:
        _write(args.write, rows, args)


def _sum_up(rows: Sequence[Row], careful: str) -> None:
    """The worst of each figure beside what is allowed of it."""
    known = [row for row in rows if not row.unknown]
    print(f"called the limit: {sum(row.proven for row in rows)}" + (" (should be none)" if careful else ""))
    print(
        f"unknown: {len(rows) - len(known)} of {len(rows)} sessions"
        + (" (the others are called a least)" if careful else "")
    )
    if known:
        laps, ranks = [row.lap_percent for row in known], [row.rank for row in known]
        inside = sum(-0.3 <= x <= 1.0 for x in laps)
        apex = max(row.apex_percent for row in known)
        print(f"lap {min(laps):+.2f} to {max(laps):+.2f} %, {inside} of {len(laps)} inside the allowed -0.3 to +1")
        print(f"apex at most {apex:+.2f} % (allowed +2)")
        print(f"rank {min(ranks):.2f} to {max(ranks):.2f}, mean {np.mean(ranks):.2f} (wanted 0.9)")


def _write(path: Path, rows: Sequence[Row], args: argparse.Namespace) -> None:
    """Add the figures to a file as flat records; those of the same setting are replaced."""
    setting = {"bench": "reach", "set": args.set, "rate_hz": args.rate, "noise_m": args.noise, "careful": args.careful,
               "laps": args.laps}  # fmt: skip
    kept = json.loads(path.read_text()) if path.is_file() else []
    kept = [r for r in kept if any(r.get(k) != v for k, v in setting.items()) or r["simulator"] not in args.simulators]
    for row in rows:
        figures = {k: None if v != v else round(v, 4) for k, v in asdict(row).items() if isinstance(v, float)}
        kept.append({**setting, "simulator": row.simulator, "seed": row.seed, "corners": row.corners, **figures,
                     "unknown": row.unknown, "proven": row.proven})  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("[\n" + ",\n".join(json.dumps(r) for r in kept) + "\n]\n")


if __name__ == "__main__":
    main()
