"""Does the reachable lap make a driver faster who has nothing but his own best lap to compare with?

python tests/tools/reach_loop.py                          four circuits, 30 drivers each
python tests/tools/reach_loop.py --seeds 2 --circuits demo 12          a smaller study
python tests/tools/reach_loop.py --for-s 240              what is done after so many seconds

The simulated learner of learner.py drives FIRST laps alone; a survey of them gives the reference: his own best lap, or
the reachable lap from what these laps showed of the car (his best lap where they showed too little: counted as
``unknown``). With it the product coaches up to lap LAPS, then it is silent for SILENT laps. ``alone`` hears nothing.
Each row: lap time against the faultless lap, mean of the last three coached laps, and of the silent ones.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from closed_loop_coaches import Product
from closed_loop_drivers import ground, habits_of
from learner import LearningDriver
from scenario_ground import known_ground

from coach.core.columns import Columns
from coach.core.phases import IllegalEvent
from coach.survey import survey
from coach.survey.envelope.reachable import reach_of, reachable_reference
from coach.survey.errors import NoValidLap

CIRCUITS: Final = ("demo", "7", "9", "12")
ARMS: Final = ("alone", "own best", "reachable")
FIRST, LAPS, SILENT = 5, 18, 5


@dataclass(frozen=True)
class Run:
    """One driver under one arm; gaps to the faultless lap [s]."""

    circuit: str
    seed: int
    arm: str
    first_s: float
    coached_s: float
    silent_s: float
    cues: float
    unknown: bool


def run(circuit: str, seed: int, arm: str) -> Run:
    """Drive it."""
    base = ground(circuit).base
    driver = LearningDriver(base, habits_of(base, seed), seed)
    seen: list[Columns] = []
    while len(driver.lap_times) < FIRST:
        seen.append(driver.drive())
        driver.end()
    ear, unknown = None, False
    if arm != "alone":
        found = survey(Columns.join(seen), circuit=circuit)
        reference = found.reference
        reach = reach_of(found) if arm == "reachable" else None
        if reach is not None and reach.speed_mps is not None:
            reference = reachable_reference(reference, reach)
        unknown = arm == "reachable" and reference is found.reference
        ear = Product(known_ground(circuit, replace(found, reference=reference)), "improving")
    while len(driver.lap_times) < LAPS + SILENT:
        if ear is not None and len(driver.lap_times) < LAPS:
            ear.coach(driver)
        else:
            driver.drive()
        driver.end()
    gap = np.array(driver.lap_times[: LAPS + SILENT]) - base.lap_time_s
    said = len(ear.spoken) / (LAPS - FIRST) if ear is not None else 0.0
    parts = (gap[:FIRST].mean(), gap[LAPS - 3 : LAPS].mean(), gap[LAPS:].mean())
    first, coached, silent = (round(float(part), 4) for part in parts)
    return Run(circuit, seed, arm, first, coached, silent, round(said, 2), unknown)


def table(runs: list[Run]) -> str:
    """Means by arm with their 95 % interval, over the drivers that every arm has driven."""
    whole = set.intersection(*({(r.circuit, r.seed) for r in runs if r.arm == arm} for arm in ARMS))
    lines = [f"{len(whole)} drivers; gap to the faultless lap, s (mean, 95 % interval)"]
    rows = {arm: sorted((r for r in runs if r.arm == arm and (r.circuit, r.seed) in whole), key=_key) for arm in ARMS}
    for arm, mine in rows.items():
        if mine:
            cells = [_mean([getattr(r, name) for r in mine]) for name in ("first_s", "coached_s", "silent_s")]
            lines.append(
                f"{arm:10} first laps {cells[0]}   lap {LAPS} {cells[1]}   in silence {cells[2]}   "
                f"{np.mean([r.cues for r in mine]):.1f} cues a lap   unknown {sum(r.unknown for r in mine)}"
            )
    for name in ("coached_s", "silent_s"):
        best, reach = ([getattr(r, name) for r in rows[arm]] for arm in ("own best", "reachable"))
        lines.append(f"reachable less own best, {name}: {_mean((np.array(reach) - np.array(best)).tolist())}")
    return "\n".join(lines)


def _key(one: Run) -> tuple[str, int]:
    return one.circuit, one.seed


def _mean(values: list[float]) -> str:
    error = 1.96 * float(np.std(values, ddof=1)) / len(values) ** 0.5 if len(values) > 1 else float("nan")
    return f"{np.mean(values):+.2f} ± {error:.2f}"


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--circuits", nargs="*", default=list(CIRCUITS))
    parser.add_argument("--seeds", type=int, default=30)
    parser.add_argument("--for-s", type=float, default=float("inf"), help="start no driver after so many seconds")
    parser.add_argument("--keep", type=Path, help="file of the runs so far: they are not driven again")
    parser.add_argument("--write", type=Path, help="file of flat records to make")
    args = parser.parse_args()
    runs = [Run(**row) for row in json.loads(args.keep.read_text())] if args.keep and args.keep.is_file() else []
    done = {(r.circuit, r.seed, r.arm) for r in runs}
    begin = time.monotonic()
    # seed by seed over the circuits: a study that stops early has all circuits in it
    for seed in range(1, args.seeds + 1):
        for circuit in args.circuits:
            if time.monotonic() - begin > args.for_s:
                continue
            try:
                runs += [run(circuit, seed, arm) for arm in ARMS if (circuit, seed, arm) not in done]
            except (IllegalEvent, NoValidLap) as error:
                # five laps with no valid one, or with corners that overlap: they give no profile
                print(f"left out: circuit {circuit}, driver {seed}: {error}")
            if args.keep:
                args.keep.write_text(json.dumps([asdict(r) for r in runs]))
    print(table(runs))
    if args.write:
        args.write.parent.mkdir(parents=True, exist_ok=True)
        rows = [{"bench": "reach_loop", **asdict(r)} for r in runs]
        args.write.write_text("[\n" + ",\n".join(json.dumps(r) for r in rows) + "\n]\n")


if __name__ == "__main__":
    main()
