"""How often the diagnosis is right: laps with known faults in, findings against truth out.

python tests/tools/fault_bench.py                     the transient simulator on the development set, clean and noisy
python tests/tools/fault_bench.py --quick             the same with few passes (under 4 minutes on one core)
python tests/tools/fault_bench.py --sim transient practice plain outside --write FILE
python tests/tools/fault_bench.py --sim plain --faults coasting --circuits tuning --show 5

Circuits are those of a set in circuit_sets, never the demo circuit. The transient simulator drives all fifteen faults
in one session, the others each fault in its own; most passes are faultless, and a pass right after a faulty one is
counted apart ("next"). ``--sealed`` is run once, when the work is done.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from circuit_sets import SETS
from fault_score import Row, Score, print_rows, records, rows_of, score_passes, setting_name, write_rows
from fault_sessions import ALL, DRIVES, MAKERS, Ask, Setting, make

from coach.app.rerun.rerun import rerun, settle_findings
from coach.app.setup import Setup
from coach.core.columns import Columns
from coach.core.cue.rules import RuleSet
from coach.core.measure.passes import PassRecord
from coach.core.values import Pass
from coach.survey.survey import Survey, survey

SETTINGS: tuple[Setting, ...] = ((False, 60.0), (True, 20.0))
Diagnose = Callable[[Columns, float], list[tuple[Pass, PassRecord]]]
PART = 5
"""Passes of each fault in one session of the transient simulator: sessions of some forty laps."""


def diagnose(columns: Columns, first_fault_s: float) -> list[tuple[Pass, PassRecord]]:
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


@dataclass(frozen=True)
class Job:
    """One session in every setting."""

    sim: str
    ask: Ask
    settings: tuple[Setting, ...]
    show: int = 0
    folder: Path | None = None


def job(one: Job, how: Diagnose = diagnose) -> list[Score]:
    """A score for each setting."""
    out = []
    for setting in one.settings:
        columns, truth = make(one.sim, one.ask, setting, one.folder)
        try:
            passes = how(columns, min(t.t_s for t in truth))
        except Exception as error:  # what breaks one session is counted, and must not hide the others
            print(f"BROKEN {one.sim} {one.ask} {setting}: {type(error).__name__}: {error}", file=sys.stderr)
            out.append(Score(broken=1))
            continue
        out.append(score_passes(passes, truth, one.show))
    return out


def asks(sim: str, circuits: list[int], faults: tuple[str, ...], passes: int, seed: int, scatter: float) -> list[Ask]:
    """Sessions that drive each fault about ``passes`` times over all circuits."""
    each = -(-passes // len(circuits))
    driven = tuple(f for f in faults if f in DRIVES[sim])
    if sim != "transient":
        return [Ask(c, (f,), each, seed, scatter) for f in driven for c in circuits]
    parts = -(-each // PART)
    # the seed's last bit picks the car: circuits and parts alternate
    return [Ask(c, driven, PART, seed + i + part, scatter) for i, c in enumerate(circuits) for part in range(parts)]


def bench(sim: str, name: str, jobs: list[Job], workers: int = 1) -> Iterator[list[Row]]:
    """The rows of one simulator, a list for each setting."""
    settings = jobs[0].settings if jobs else ()
    scores = [Score() for _ in settings]
    if workers < 2:
        done = list(map(job, jobs))
    else:
        with ProcessPoolExecutor(workers) as pool:
            done = list(pool.map(job, jobs))
    for parts in done:
        for score, part in zip(scores, parts, strict=True):
            score.add(part)
    for score, (noise, rate) in zip(scores, settings, strict=True):
        yield rows_of(score, "fault_bench", sim, name, noise, rate)


def main(arguments: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--passes", type=int, default=45, help="of each fault, over all circuits")
    parser.add_argument("--faults", nargs="*", choices=ALL, default=list(ALL))
    parser.add_argument("--sim", nargs="*", choices=list(MAKERS), default=["transient"])
    parser.add_argument("--circuits", choices=list(SETS), default="development")
    parser.add_argument("--sealed", action="store_true", help="the sealed set: run once, when the work is done")
    parser.add_argument("--noise", action="store_true", help="this one setting: 0.3 m and 0.1 m/s")
    parser.add_argument("--clean", action="store_true", help="this one setting: no noise")
    parser.add_argument("--rate", type=float, default=60.0)
    parser.add_argument("--scatter", type=float, default=1.0, help="share of a practised driver's scatter")
    parser.add_argument("--show", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="15 passes of each fault")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--write", type=Path, help="write the rows into this JSON file")
    parser.add_argument("--cache", type=Path, help="keep simulated sessions in this folder")
    args = parser.parse_args(arguments)
    name = "sealed" if args.sealed else args.circuits
    settings = ((args.noise, args.rate),) if args.noise or args.clean else SETTINGS
    passes = 15 if args.quick else args.passes
    written: list[dict[str, Any]] = []
    for sim in args.sim:
        began = time.perf_counter()
        sessions = asks(sim, list(SETS[name]), tuple(args.faults), passes, args.seed, args.scatter)
        jobs = [Job(sim, ask, settings, args.show, args.cache) for ask in sessions]
        for rows in bench(sim, name, jobs, args.workers):
            print(f"== {sim} {name} {setting_name(rows[0].noise, rows[0].rate)}")
            print_rows(rows)
            written += records(rows)
        print(f"({time.perf_counter() - began:.0f} s)")
    if args.write:
        write_rows(args.write, written)


if __name__ == "__main__":
    main()
