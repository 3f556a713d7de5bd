"""Does the coach make a driver faster? A simulated learner alone, with the product, and with one that says everything.

python tests/tools/closed_loop.py                     six circuits, 20 drivers each: table and picture
python tests/tools/closed_loop.py --quick             two circuits, 2 drivers, fewer laps, no picture
python tests/tools/closed_loop.py --vary              the learner's assumed shares halved and doubled, 4 drivers each
python tests/tools/closed_loop.py --keep runs.jsonl   keeps each finished run there and goes on where it stopped

``--conditions ideal alone product everything`` adds a coach who knows the habits: what this learner can gain at most.
The picture is replay_samples/pictures/closed_loop.png.

The gap is a lap's time less the reference's. It counts as halved with the first lap from which on the median of three
laps is at most half the gap of the same driver's first two laps alone. After LAPS laps the coach is silent for SILENT
laps: what is then left of the gain is the retention. The learner and its grounds: learner.py.
"""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from closed_loop_table import CONDITIONS, Lesson, compared, picture, table
from generated_circuits import generated_circuit
from learner import Heard, LearningDriver, Traits
from simulated import columns_of, match_corners

from coach.core.pipeline import Pipeline
from coach.core.reference import Reference
from coach.core.rules import RuleSet
from coach.core.values import Corner, Decision, Finding
from coach.outputs.voice.bank import estimate_s
from coach.profile.rule_files import load_rules, phrases
from coach.profile.store import load_plan
from coach.survey.survey import survey
from feeds.practice import Habit, Scatter, applies, faultless, hollow_ridge, simulate
from feeds.practice.faultless import Faultless

CIRCUITS = ("demo", "11", "12", "13", "14", "15")
LAPS, SILENT = 18, 5
PICTURE = Path(__file__).resolve().parents[2] / "replay_samples/pictures/closed_loop.png"
RATE_WPM = 160
HABITS: tuple[tuple[str, float], ...] = (
    ("brake_early", 18.0), ("brake_soft", 0.25), ("brake_long", 18.0), ("brake_late", 8.0), ("turn_in_early", 10.0),
    ("turn_in_late", 8.0), ("apex_missed", 1.6), ("slow_middle", 2.8), ("coasting", 22.0), ("throttle_late", 18.0),
    ("throttle_soft", 0.3), ("exit_narrow", 1.8), ("exit_wide", 1.0),
)  # fmt: skip
"""Faults of a middling driver and how large they are (common practice, no source)."""
FAULTY = 0.6
"""Share of the corners that have one."""


@dataclass(frozen=True, eq=False)
class Ground:
    """A circuit with its profile; ``match`` is profile corner name -> simulator corner."""

    base: Faultless
    reference: Reference
    corners: tuple[Corner, ...]
    match: dict[str, int]


@cache
def ground(circuit: str) -> Ground:
    """The demo with its shipped profile; another circuit with the survey of six clean laps."""
    if circuit == "demo":
        base, plan = faultless(hollow_ridge()), load_plan("hollow_ridge")
        reference, corners = plan.reference, plan.corners
    else:
        base = faultless(generated_circuit(int(circuit)))
        found = survey(columns_of(simulate(base, 6, seed=3, scatter=Scatter(1.0, 0.1, 0.1))), circuit=circuit)
        reference, corners = found.reference, found.corners
    match = match_corners(base, corners, reference)
    return Ground(base, reference, corners, {corners[i].name: there for i, there in match.items()})


def habits_of(base: Faultless, seed: int) -> tuple[Habit, ...]:
    """One fault at most of the corners, each 0.7 to 1.3 times the usual size."""
    rng = np.random.default_rng([seed, 5])
    out = []
    for corner in base.corners:
        fits = [f for f in HABITS if applies(base, corner.index, f[0])]
        fault, amount = fits[int(rng.integers(len(fits)))]
        size, there = rng.uniform(0.7, 1.3), rng.random() < FAULTY
        if there:
            out.append(Habit(corner.index, fault, size * amount, spread=0.12 * amount))
    return tuple(out)


class Product:
    """The coach as it ships, told frame by frame."""

    def __init__(self, place: Ground, rules: RuleSet) -> None:
        durations = {text: estimate_s(text, RATE_WPM) for text in phrases(rules, place.corners)}
        self.place = place
        self.pipeline = Pipeline(place.reference, place.corners, rules, durations)
        self.spoken: list[Decision] = []

    def coach(self, driver: LearningDriver) -> None:
        """One stretch with the coach in the driver's ear."""
        columns, i = driver.drive(), 0
        while i < len(columns):
            for decision in self.pipeline.push_columns(columns.part(i, i + 1)).decisions:
                if decision.outcome == "spoken":
                    self.spoken.append(decision)
                    driver.hear(self._heard(decision))
                    columns = driver.columns
            i += 1

    def _heard(self, d: Decision) -> Heard:
        asks = ((d.fault, _metres(d.text)),) if d.family == "correction" else ()
        return Heard(d.t_s, d.ends_t_s, self.place.match.get(d.corner), asks, int(d.family != "confirmation"))


class SaysEverything:
    """A coach without judgement: 4 s before each corner he reads out all that was found there the last time."""

    AHEAD_S = 4.0

    def __init__(self, place: Ground, rules: RuleSet) -> None:
        self.place = place
        self.pipeline = Pipeline(place.reference, place.corners, rules)
        self.words = {r.about: r.long for r in rules.rules if r.family == "correction"}
        self.found: dict[int, tuple[Finding, ...]] = {}
        self.spoken: list[Heard] = []
        self._free_s = 0.0

    def coach(self, driver: LearningDriver) -> None:
        """One stretch; where he is too slow with one corner the next has to wait."""
        columns = driver.drive()
        base, length = self.place.base, self.place.base.circuit.length_m
        u = driver.place_m
        for begin_m, i in sorted(self._begins(u, length)):
            u = driver.place_m
            there = self.place.match[self.place.corners[i].name]
            corner = base.corners[there]
            place_m = corner.brake_m if corner.braked else corner.turn_in_m
            due = float(np.interp(begin_m + place_m, u, columns["t_s"])) - self.AHEAD_S
            findings = self.found.get(i, ())
            if findings and u[0] < begin_m + place_m < u[-1]:
                self._say(driver, i, there, findings, max(due, self._free_s, float(columns["t_s"][0])))
                columns = driver.columns
        for done in self.pipeline.push_columns(columns).passes:
            self.found[done.corner] = done.findings

    def _begins(self, u: np.ndarray, length: float) -> Iterator[tuple[float, int]]:
        for i, corner in enumerate(self.place.corners):
            if corner.name in self.place.match:
                for lap in range(int(u[0] // length), int(u[-1] // length) + 1):
                    yield lap * length, i

    def _say(self, driver: LearningDriver, i: int, there: int, findings: tuple[Finding, ...], t_s: float) -> None:
        name = self.place.corners[i].say or self.place.corners[i].name
        texts = [
            re.sub(r"\{metres\}", f"{f.amount:.0f}", self.words[f.fault]) for f in findings if f.fault in self.words
        ]
        if not texts:
            return
        text = ". ".join(t.replace("{corner}", name) for t in texts)
        self._free_s = t_s + 0.06 + estimate_s(text, RATE_WPM) + 0.3
        asks = tuple((f.fault, f.amount if f.unit == "m" else float("nan")) for f in findings)
        self.spoken.append(Heard(t_s, self._free_s - 0.3, there, asks, len(asks)))
        driver.hear(self.spoken[-1])


class Ideal:
    """The ceiling: knows the habits and tells of each in time, on alternate laps (Park, Shea & Wright 2000)."""

    AHEAD_S = 1.5

    def __init__(self, place: Ground, rules: RuleSet) -> None:
        self.spoken: list[Heard] = []
        self._round = 0

    def coach(self, driver: LearningDriver) -> None:
        """One stretch: half of the habits in one round, the other half in the next."""
        driver.drive()
        for number, (corner, fault) in enumerate(driver.habits):
            ends = driver.acts_at(corner, fault) - self.AHEAD_S
            if number % 2 == self._round % 2 and ends > float(driver.columns["t_s"][0]) + 1.0:
                self.spoken.append(Heard(ends - 1.0, ends, corner, ((fault, float("nan")),)))
                driver.hear(self.spoken[-1])
        self._round += 1


def _metres(text: str) -> float:
    told = re.search(r"(\d+) metres", text)
    return float(told[1]) if told else float("nan")


def lesson(circuit: str, seed: int, condition: str, laps: int, silent: int, rules: str, traits: Traits) -> Lesson:
    """Drive it."""
    place = ground(circuit)
    driver = LearningDriver(place.base, habits_of(place.base, seed), seed, traits=traits)
    chosen = load_rules(rules)
    coaches: dict[str, type[Product | SaysEverything | Ideal]] = {
        "product": Product,
        "everything": SaysEverything,
        "ideal": Ideal,
    }
    ear = coaches[condition](place, chosen) if condition in coaches else None
    left = 1.0
    while len(driver.lap_times) < laps + silent:
        if ear is not None and len(driver.lap_times) < laps:
            ear.coach(driver)
            left = driver.left
        else:
            driver.drive()
        driver.end()
    said = len(ear.spoken) / laps if ear is not None else 0.0
    times = [round(t, 4) for t in driver.lap_times[: laps + silent]]
    return Lesson(
        circuit, seed, condition, place.reference.lap_time_s, laps, times, said, left, driver.left, driver.log.counts
    )


def lessons_of(args: argparse.Namespace, traits: Traits) -> Iterator[Lesson]:
    """Drive what was asked for; what ``--keep`` holds is not driven again."""
    keep = Path(args.keep) if args.keep else None
    held: dict[tuple[str, int, str, int], Lesson] = {}
    starts: dict[tuple[str, int], float] = {}
    if keep is not None and keep.exists():
        for row in map(json.loads, keep.read_text().splitlines()):
            held[row["circuit"], row["seed"], row["condition"], row["laps"]] = Lesson(**row)
    for seed in range(1, args.seeds + 1):
        for circuit in args.circuits:
            for condition in args.conditions:
                one = held.get((circuit, seed, condition, args.laps))
                if one is None:
                    one = lesson(circuit, seed, condition, args.laps, SILENT, args.rules, traits)
                    if keep is not None:
                        with keep.open("a") as file:
                            file.write(json.dumps(vars(one)) + "\n")
                if condition == "alone":
                    starts[circuit, seed] = one.first
                one.start = starts.get((circuit, seed), one.first)
                yield one


VARIED = ("follows", "learns", "firm_at_once", "recall", "constant")


def vary(args: argparse.Namespace) -> None:
    """Does the answer rest on what was assumed of the learner?"""
    for name in ("as assumed", *VARIED):
        for factor in (0.5, 2.0) if name in VARIED else (1.0,):
            traits = (
                replace(Traits(), **{name: min(factor * getattr(Traits(), name), 0.95)}) if name in VARIED else Traits()
            )
            lessons = list(lessons_of(args, traits))
            print(
                f"{name} x {factor:g}: {compared(lessons, 'alone')}\n   {compared(lessons, 'everything')}", flush=True
            )


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--circuits", nargs="*", default=list(CIRCUITS))
    parser.add_argument("--conditions", nargs="*", default=list(CONDITIONS), choices=(*CONDITIONS, "ideal"))
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--laps", type=int, default=LAPS)
    parser.add_argument("--rules", default="improving")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--vary", action="store_true")
    parser.add_argument("--keep", default="")
    parser.add_argument(
        "--picture", default=str(Path(__file__).resolve().parents[2] / "replay_samples/pictures/closed_loop.png")
    )
    args = parser.parse_args(argv)
    if args.quick:
        args.circuits, args.seeds, args.laps = args.circuits[:2], 2, 6
    if args.vary:
        args.seeds, args.keep = min(args.seeds, 4), ""
        vary(args)
        return
    lessons = list(lessons_of(args, Traits()))
    print(table(lessons))
    if not args.quick:
        picture(lessons, Path(args.picture))


if __name__ == "__main__":
    main()
