"""How often a habit is found: the same fault in every lap, against a reference from another, faultless session.

python tests/tools/habit_bench.py [--laps 6] [--noise] [--circuits development] [--faults gear_low] [--write FILE]

The other benches put a fault into few passes of many. A driver does the same every lap, so that nothing in his
own session tells how the corner is driven without the fault: what he always does must not become the usual.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from circuit_sets import SETS
from fault_bench import surveyed
from fault_score import Score, print_rows, records, rows_of, score_passes, write_rows
from fault_sessions import ALL, AMOUNTS, NEEDS_BRAKE, Truth, practice_base, spread_out, truth_of
from simulated import columns_of

from coach.app.rerun.rerun import rerun, settle_findings
from coach.app.setup import Setup
from coach.core.cue.rules import RuleSet
from feeds.practice import FaultPlan, Habit, Noise, Scatter, simulate

LEARNED = 6
"""Faultless laps the reference is made of."""


def job(args: tuple[int, str, int, int, float, bool, int]) -> Score:
    """One circuit, one fault: a reference from one session, passes of another."""
    circuit, fault, laps, seed, rate, noise, show = args
    base = practice_base(circuit)
    blur = Noise(position_m=0.3, speed_mps=0.1) if noise else None
    model = surveyed(columns_of(simulate(base, LEARNED, rate_hz=rate, seed=seed + 500, noise=blur)), float("inf"))
    setup = Setup("bench", model.reference, model.corners, RuleSet("none", "improving", ()))
    usable = [c.index for c in base.corners if c.braked or fault not in NEEDS_BRAKE]
    low, high = AMOUNTS[fault]
    rng = np.random.default_rng([seed, 91])
    score = Score()
    for corners in spread_out(usable, len(base.corners), len(usable), seed):
        habits = [Habit(c, fault, float(rng.uniform(low, high)), spread=0.05 * low) for c in corners]
        run = simulate(
            base, laps, rate_hz=rate, seed=seed, faults=FaultPlan(tuple(habits)), scatter=Scatter(), noise=blur
        )
        truth: list[Truth] = truth_of(run, base)
        result = rerun([columns_of(run)], setup)
        pairs = list(zip(settle_findings(result), result.pipeline.kept or [], strict=True))
        score.add(score_passes(pairs, truth, show))
    return score


def main(arguments: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--laps", type=int, default=6)
    parser.add_argument("--faults", nargs="*", choices=ALL, default=list(ALL))
    parser.add_argument("--circuits", choices=list(SETS), default="development")
    parser.add_argument("--sealed", action="store_true", help="the sealed set: run once, when the work is done")
    parser.add_argument("--noise", action="store_true", help="0.3 m and 0.1 m/s")
    parser.add_argument("--rate", type=float, default=60.0)
    parser.add_argument("--show", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--write", type=Path, help="write the rows into this JSON file")
    args = parser.parse_args(arguments)
    name = "sealed" if args.sealed else args.circuits
    jobs = [(c, f, args.laps, args.seed, args.rate, args.noise, args.show) for f in args.faults for c in SETS[name]]
    score = Score()
    if args.workers < 2:
        done = list(map(job, jobs))
    else:
        with ProcessPoolExecutor(args.workers) as pool:
            done = list(pool.map(job, jobs))
    for part in done:
        score.add(part)
    rows = rows_of(score, "habit_bench", "practice", name, args.noise, args.rate)
    print_rows(rows)
    if args.write:
        write_rows(args.write, records(rows))


if __name__ == "__main__":
    main()
