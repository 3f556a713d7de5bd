"""Does the coach make a driver faster? A simulated learner alone, with the product, and with what is simpler than it.

python tests/tools/closed_loop.py                     six circuits, 20 drivers each: table and picture
python tests/tools/closed_loop.py --seeds 3 --circuits demo 12 14      a smaller study
python tests/tools/closed_loop.py --quick             two circuits, 2 drivers, fewer laps, no picture
python tests/tools/closed_loop.py --vary              the learner's assumed shares halved and doubled, 4 drivers each

Held against it: all that is found, in long and in short words; the costliest finding in short words every other lap;
a debrief after every six laps; a delta bar without words. Of four drivers two have one fault at most corners, one has
three at a corner, one has faults for which the coach has no name; two of the six circuits have a reference that a
person drove, which is not the optimum. All have cautions, which count as messages.

``--conditions ideal alone product`` adds a coach who knows the habits: what this learner can gain at most.
``--write tests/figures/closed_loop.json`` writes the figures; ``--for-s 240`` stops after so many seconds.
Each finished run is a line of ``--keep`` (build/closed_loop.jsonl): a study that was stopped goes on where it was, as
long as coach, simulator and learner are the same; stopped with Ctrl-C it shows the table of what is there. The
picture is replay_samples/pictures/closed_loop.png.

The gap is a lap's time less the faultless one's. It counts as halved with the first lap from which on the median of
three laps is at most half the gap of the same driver's first two laps alone. After LAPS laps the coach is silent for
SILENT laps: what is then left of the gain is the retention. The learner and its grounds: learner.py.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import replace
from functools import cache
from hashlib import sha256
from pathlib import Path

from closed_loop_baselines import Costliest, DebriefOnly, DeltaBar, SaysEverything, SaysEverythingShort
from closed_loop_coaches import Ideal, Product
from closed_loop_drivers import PERSON, ground, habits_of, kind_of
from closed_loop_table import CONDITIONS, Lesson, compared, figures, picture, table
from figures import write_figures
from learner import LearningDriver, Traits

CIRCUITS = ("demo", "7", "9", "12", f"7{PERSON}", f"12{PERSON}")
LAPS, SILENT = 18, 5
ROOT = Path(__file__).resolve().parents[2]
PICTURE = ROOT / "replay_samples/pictures/closed_loop.png"
KEEP = ROOT / "build/closed_loop.jsonl"
COACHES: dict[str, type[Product | SaysEverything | DebriefOnly | DeltaBar | Ideal]] = {
    "product": Product,
    "everything": SaysEverything,
    "everything short": SaysEverythingShort,
    "costliest": Costliest,
    "debrief": DebriefOnly,
    "bar": DeltaBar,
    "ideal": Ideal,
}
VARIED = ("follows", "learns", "firm_at_once", "recall", "constant")


def lesson(circuit: str, seed: int, condition: str, laps: int, rules: str, traits: Traits) -> Lesson:
    """Drive it: ``laps`` with the coach, SILENT without."""
    place = ground(circuit)
    driver = LearningDriver(place.base, habits_of(place.base, seed), seed, traits=traits)
    ear = COACHES[condition](place, rules) if condition in COACHES else None
    left = 1.0
    while len(driver.lap_times) < laps + SILENT:
        if ear is not None and len(driver.lap_times) < laps:
            ear.coach(driver)
            left = driver.left
        else:
            driver.drive()
        driver.end()
    said = len(ear.spoken) / laps if ear is not None else 0.0
    asked = ear.corrections / laps if ear is not None else 0.0
    times = [round(t, 4) for t in driver.lap_times[: laps + SILENT]]
    best = place.base.lap_time_s
    return Lesson(
        circuit, seed, condition, best, laps, times, said, asked, left, driver.left, driver.log.counts, kind_of(seed)
    )


@cache
def code() -> str:
    """A mark of all that a run depends on: runs of another coach or learner are not taken for this one's."""
    digest = sha256()
    tools = ("closed_loop", "closed_loop_baselines", "closed_loop_coaches", "closed_loop_drivers", "learner",
             "scenario_ground", "bench_circuits")  # fmt: skip
    here = [Path(__file__).parent / f"{name}.py" for name in tools]
    parts = [ROOT / part for part in ("coach/core", "coach/survey", "feeds/practice", "profiles")]
    for path in [*here, *sorted(p for part in parts for p in part.rglob("*") if p.suffix in (".py", ".yaml"))]:
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


Key = tuple[str, int, str, int, str]


def kept(path: Path | None) -> dict[Key, Lesson]:
    """The runs of this very code that ``path`` holds; a line that was cut off is left out."""
    out: dict[Key, Lesson] = {}
    for line in path.read_text().splitlines() if path is not None and path.exists() else ():
        try:
            row = json.loads(line)
        except json.JSONDecodeError:
            continue
        if row.pop("code") == code():
            rules = row.pop("rules")
            one = Lesson(**row)
            out[one.circuit, one.seed, one.condition, one.laps, rules] = one
    return out


def lessons_of(args: argparse.Namespace, traits: Traits) -> list[Lesson]:
    """Run the requested cases in order; skip those in ``--keep``. Return partial results if interrupted."""
    path = Path(args.keep) if args.keep else None
    done = kept(path)
    # driver by driver on every circuit, so that a study that is stopped early has something of each
    asked: list[Key] = [
        (circuit, seed, condition, args.laps, args.rules)
        for seed in range(1, args.seeds + 1)
        for circuit in args.circuits
        for condition in args.conditions
    ]
    ends = time.monotonic() + args.for_s
    try:
        for key, one in _driven([key for key in asked if key not in done], args.jobs, traits):
            done[key] = one
            if path is not None:
                path.parent.mkdir(parents=True, exist_ok=True)
                with path.open("a") as file:
                    file.write(json.dumps({**vars(one), "rules": args.rules, "code": code()}) + "\n")
            if time.monotonic() > ends:
                raise KeyboardInterrupt
    except KeyboardInterrupt:
        print("stopped: this is what was driven so far")
    lessons = [done[key] for key in asked if key in done]
    alone = {(one.circuit, one.seed): one.first for one in lessons if one.condition == "alone"}
    for one in lessons:
        one.start = alone.get((one.circuit, one.seed), one.first)
    return lessons


def _driven(keys: list[Key], jobs: int, traits: Traits) -> Iterator[tuple[Key, Lesson]]:
    """Each run as it is over."""
    if jobs < 2:
        for key in keys:
            yield key, lesson(*key, traits)
        return
    pool: Executor = ProcessPoolExecutor(jobs)
    try:
        running: dict[Future[Lesson], Key] = {pool.submit(lesson, *key, traits): key for key in keys}
        for future in as_completed(running):
            yield running[future], future.result()
    finally:
        pool.shutdown(cancel_futures=True)


def vary(args: argparse.Namespace) -> None:
    """Does the answer rest on what was assumed of the learner?"""
    for name in ("as assumed", *VARIED):
        for factor in (0.5, 2.0) if name in VARIED else (1.0,):
            traits = (
                replace(Traits(), **{name: min(factor * getattr(Traits(), name), 0.95)}) if name in VARIED else Traits()
            )
            lessons = lessons_of(args, traits)
            print(
                f"{name} x {factor:g}: {compared(lessons, 'alone')}\n   {compared(lessons, 'everything')}", flush=True
            )


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--circuits", nargs="*", default=list(CIRCUITS))
    parser.add_argument("--conditions", nargs="*", default=list(CONDITIONS), choices=(*CONDITIONS, "ideal"))
    parser.add_argument("--for-s", type=float, default=float("inf"), help="stop after so many seconds")
    parser.add_argument("--write", metavar="FILE", help="write the figures")
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--laps", type=int, default=LAPS)
    parser.add_argument("--rules", default="improving")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--vary", action="store_true")
    parser.add_argument("--keep", default=str(KEEP))
    parser.add_argument("--picture", default=str(PICTURE))
    args = parser.parse_args(argv)
    if args.quick:
        args.circuits, args.seeds, args.laps = args.circuits[:2], 2, 6
    if args.vary:
        args.seeds, args.keep = min(args.seeds, 4), ""
        vary(args)
        return
    lessons = lessons_of(args, Traits())
    print(table(lessons))
    if lessons and args.write:
        write_figures(args.write, figures(lessons) | {"code": code()})
    if lessons and not args.quick:
        picture(lessons, Path(args.picture))


if __name__ == "__main__":
    main()
