"""How often the diagnosis is right: laps with known faults in, findings against truth out.

python tests/tools/fault_bench.py --passes 200            (clean)
python tests/tools/fault_bench.py --passes 200 --noise --rate 20
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from dataclasses import dataclass, field

import numpy as np

from coach.app.rerun import rerun
from coach.app.setup import Setup
from coach.core.columns import CHANNELS, Columns
from coach.core.rules import RuleSet
from coach.core.values import Corner, Finding
from coach.survey.survey import survey
from feeds.practice import FaultPlan, Habit, Noise, Scatter, SimRun, faultless, hollow_ridge, simulate
from feeds.practice.faultless import Faultless

SIX = ("brake_early", "brake_soft", "slow_middle", "throttle_late", "coasting", "exit_narrow")
AMOUNTS = {
    "brake_early": (12.0, 30.0),
    "brake_late": (8.0, 18.0),
    "brake_soft": (0.2, 0.4),
    "brake_long": (12.0, 30.0),
    "turn_in_early": (10.0, 20.0),
    "turn_in_late": (10.0, 20.0),
    "apex_missed": (1.5, 3.0),
    "slow_middle": (1.5, 3.5),
    "coasting": (12.0, 30.0),
    "throttle_late": (12.0, 30.0),
    "throttle_soft": (0.25, 0.5),
    "exit_narrow": (2.0, 4.0),
    "exit_wide": (1.0, 2.0),
    "gear_high": (1.0, 1.0),
    "gear_low": (1.0, 1.0),
}
NEEDS_BRAKE = {"brake_early", "brake_late", "brake_soft", "brake_long", "coasting"}


def columns_of(run: SimRun) -> Columns:
    """The run as a session holds it, with its noise."""
    if run.noise is not None:
        return Columns.of(run.frames())
    chunk = Columns.empty(len(run.channels["t_s"]))
    for name, values in run.channels.items():
        if name in CHANNELS:
            chunk[name][:] = values
    return chunk


def plan_for(base: Faultless, fault: str, passes: int, seed: int, first_lap: int) -> tuple[FaultPlan, int]:
    """``passes`` of one fault, on corners that are not neighbours; and the number of laps it takes."""
    rng = np.random.default_rng([seed, 77])
    usable = [c.index for c in base.corners if c.braked or fault not in NEEDS_BRAKE]
    habits: list[Habit] = []
    lap = first_lap
    while len(habits) < passes:
        free = list(rng.permutation(usable))
        taken: list[int] = []
        n = len(base.corners)
        for c in free:
            if len(taken) < max(1, n // 4) and all((c - t) % n not in (0, 1, n - 1) for t in taken):
                taken.append(int(c))
        low, high = AMOUNTS[fault]
        habits += [Habit(c, fault, float(rng.uniform(low, high)), laps=(lap,)) for c in taken]
        lap += 1
    return FaultPlan(tuple(habits[:passes])), lap - 1


@dataclass
class Score:
    """Counts over passes; ``confusion[injected]`` counts what was reported."""

    passes: Counter[str] = field(default_factory=Counter)
    hit: Counter[str] = field(default_factory=Counter)
    reported: Counter[str] = field(default_factory=Counter)
    right: Counter[str] = field(default_factory=Counter)
    confusion: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    amount_off: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    cost_ratio: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    clean_passes: int = 0
    clean_reported: int = 0
    small: Counter[str] = field(default_factory=Counter)


def match_corners(
    base: Faultless, corners: tuple[Corner, ...], columns: Columns, reference_xy: np.ndarray
) -> dict[int, int]:
    """Product corner -> simulator corner by the nearest apex."""
    circuit = base.circuit
    out = {}
    for i, corner in enumerate(corners):
        point = reference_xy[int(corner.apex_m) % len(reference_xy)]
        gaps = []
        for c in base.corners:
            k = int(round(c.apex_m / circuit.step_m)) % len(circuit)
            at = circuit.place(np.array([k * circuit.step_m]), np.array([base.offset_m[k]]))[0]
            gaps.append(float(np.hypot(at[0] - point[0], at[1] - point[1])))
        if min(gaps) < 80.0:
            out[i] = int(np.argmin(gaps))
    return out


def run_one(
    base: Faultless,
    fault: str,
    passes: int,
    seed: int,
    rate: float,
    noise: Noise | None,
    score: Score,
    show: int = 0,
    scatter: Scatter | None = None,
) -> None:
    """One circuit, one kind of fault."""
    plan, laps = plan_for(base, fault, passes, seed, 4)
    run = simulate(base, laps, rate_hz=rate, seed=seed, faults=plan, scatter=scatter or Scatter(), noise=noise)
    columns = columns_of(run)
    found = survey(columns, circuit="bench")
    reference = found.reference
    setup = Setup("bench", reference, found.corners, RuleSet("none", "improving", ()))
    result = rerun([columns], setup)
    from coach.app.rerun import settle_findings

    all_passes = settle_findings(result)
    match = match_corners(base, found.corners, columns, np.stack((reference.x_m, reference.y_m), axis=1))
    truth = {(t.lap, t.corner): t for t in run.truth}
    back = defaultdict(list)
    for p in all_passes:
        if p.corner in match:
            back[p.lap, match[p.corner]].append(p)
    affected = {(lap, (c + 1) % len(base.corners)) for lap, c in truth}
    for key, ps in back.items():
        findings: list[Finding] = [f for p in ps for f in p.findings]
        t = truth.get(key)
        if t is None:
            if key in affected:
                continue
            score.clean_passes += 1
            score.clean_reported += bool(findings)
            score.confusion["-"].update(f.fault for f in findings)
            if show and findings:
                print(
                    "  FP",
                    key,
                    base.corners[key[1]].name,
                    [(f.fault, round(f.amount, 2), round(f.cost_s, 3)) for f in findings],
                )
            continue
        if t.cost_s < 0.03:
            score.small[fault] += 1
            continue
        score.passes[fault] += 1
        names = [f.fault for f in findings]
        score.confusion[fault].update(names or ["nothing"])
        score.reported.update(names)
        if fault in names:
            score.hit[fault] += 1
            score.right[fault] += 1
            f = next(f for f in findings if f.fault == fault)
            score.amount_off[fault].append(f.amount - t.amount)
            score.cost_ratio[fault].append(f.cost_s / t.cost_s)
        if show and names != [fault]:
            show -= 1
            p = ps[0]
            print(
                "  MISS",
                key,
                base.corners[key[1]].name,
                f"amount {t.amount:.2f} cost {t.cost_s:.3f} loss {p.loss_s + p.loss_straight_s:.3f}",
                [(f.fault, round(f.amount, 2), round(f.cost_s, 3)) for f in findings],
            )
            print(
                "      ",
                {k: round(v, 2) for k, v in p.gaps.items() if v == v},
                f"e {p.loss_entry_s:.3f} m {p.loss_middle_s:.3f} x {p.loss_exit_s:.3f} s {p.loss_straight_s:.3f}",
            )


def table(score: Score) -> None:
    """Print recall, precision, errors of amount and cost, and the confusion counts."""
    for fault in score.passes:
        n, hit = score.passes[fault], score.hit[fault]
        wrong = sum(v for k, v in score.confusion[fault].items() if k not in (fault, "nothing"))
        off, ratio = np.array(score.amount_off[fault] or [0.0]), np.array(score.cost_ratio[fault] or [1.0])
        print(
            f"{fault:14s} n {n:4d} recall {hit / max(n, 1):.3f} precision {hit / max(hit + wrong, 1):.3f} "
            f"amount off median {np.median(off):+.2f} p90|.| {np.quantile(np.abs(off), 0.9):.2f} "
            f"cost ratio median {np.median(ratio):.2f} within20% {np.mean(np.abs(ratio - 1) < 0.2):.2f} small {score.small[fault]}  {dict(score.confusion[fault])}"
        )
    print(
        f"clean passes {score.clean_passes} reported {score.clean_reported} = {score.clean_reported / max(score.clean_passes, 1):.4f} {dict(score.confusion['-'])}"
    )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--passes", type=int, default=200)
    parser.add_argument("--faults", nargs="*", default=list(SIX))
    parser.add_argument("--noise", action="store_true")
    parser.add_argument("--rate", type=float, default=60.0)
    parser.add_argument("--show", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    noise = Noise(position_m=0.3, speed_mps=0.1) if args.noise else None
    score = Score()
    base = faultless(hollow_ridge())
    for fault in args.faults:
        run_one(base, fault, args.passes, args.seed, args.rate, noise, score, args.show)
    table(score)


if __name__ == "__main__":
    main()
