"""Does the coach make a driver faster? A simulated learner alone, with the product, and with one that says everything.

python tests/tools/closed_loop.py                     six circuits, 20 drivers each: table and picture
python tests/tools/closed_loop.py --quick             two circuits, 2 drivers, fewer laps, no picture
python tests/tools/closed_loop.py --vary              the learner's assumed shares halved and doubled, 4 drivers each
python tests/tools/closed_loop.py --keep runs.jsonl   keeps each finished run there and goes on where it stopped

The picture is replay_samples/pictures/closed_loop.png.

The gap is a lap's time less the reference's. It counts as halved with the first lap from which on the median of three
laps is at most half the gap of the first two laps. After LAPS laps the coach is silent for SILENT laps: what is then
left of the gain is the retention. The learner and its grounds: learner.py.
"""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np
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
CONDITIONS = ("alone", "product", "everything")
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


def _metres(text: str) -> float:
    told = re.search(r"(\d+) metres", text)
    return float(told[1]) if told else float("nan")


@dataclass
class Lesson:
    """One driver in one condition: lap times [s], messages a lap, what became of them."""

    circuit: str
    seed: int
    condition: str
    reference_s: float
    laps: int
    times: list[float]
    cues: float = 0.0
    left: float = 1.0
    kept: float = 1.0
    log: dict[str, int] = field(default_factory=dict)

    @property
    def gaps(self) -> np.ndarray:
        """Gap to the reference, lap by lap [s]."""
        return np.array(self.times) - self.reference_s

    @property
    def first(self) -> float:
        """Gap of the first two laps."""
        return float(np.mean(self.gaps[:2]))

    @property
    def final(self) -> float:
        """Gap of the last three laps with the coach."""
        return float(np.median(self.gaps[max(self.laps - 3, 0) : self.laps]))

    @property
    def silent(self) -> float:
        """Gap of the last three laps of silence."""
        return float(np.median(self.gaps[-3:]))

    @property
    def halved(self) -> int:
        """Laps until the gap was halved; LAPS + 1 when it never was."""
        gaps = self.gaps[: self.laps]
        rolling = [float(np.median(gaps[i : i + 3])) for i in range(len(gaps) - 2)]
        return next((i + 1 for i, g in enumerate(rolling) if g <= 0.5 * self.first), self.laps + 1)

    @property
    def halved_min(self) -> float:
        """The same in minutes of driving."""
        return float(np.sum(self.times[: self.halved])) / 60.0 if self.halved <= self.laps else float("inf")


def lesson(circuit: str, seed: int, condition: str, laps: int, silent: int, rules: str, traits: Traits) -> Lesson:
    """Drive it."""
    place = ground(circuit)
    driver = LearningDriver(place.base, habits_of(place.base, seed), seed, traits=traits)
    chosen = load_rules(rules)
    coaches: dict[str, type[Product | SaysEverything]] = {"product": Product, "everything": SaysEverything}
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


MEASURES: tuple[tuple[str, str, str], ...] = (
    ("first", "gap first s", ".2f"),
    ("halved", "laps to half", ".0f"),
    ("halved_min", "min to half", ".1f"),
    ("final", "gap final s", ".2f"),
    ("silent", "gap silent s", ".2f"),
    ("cues", "messages a lap", ".1f"),
)


def interval(values: np.ndarray, draws: int = 2000) -> tuple[float, float]:
    """95 % bootstrap interval of the median (Efron & Tibshirani 1993, percentile method)."""
    rng = np.random.default_rng(1)
    medians = np.median(values[rng.integers(len(values), size=(draws, len(values)))], axis=1)
    low, high = np.percentile(medians, [2.5, 97.5], method="nearest")
    return float(low), float(high)


def cell(values: np.ndarray, form: str) -> str:
    """Median, quartiles, interval of the median; what never happened is written as never."""

    def text(x: float) -> str:
        return "never" if not np.isfinite(x) else format(x, form)

    low, high = interval(values)
    quartiles = np.percentile(values, [25, 50, 75], method="nearest")
    return f"{text(quartiles[1])} ({text(quartiles[0])}..{text(quartiles[2])}) [{text(low)}..{text(high)}]"


def table(lessons: list[Lesson]) -> str:
    """One row per circuit and condition, and all circuits together."""
    lines = ["median (quartiles) [95 % bootstrap interval of the median]"]
    circuits = list(dict.fromkeys(one.circuit for one in lessons))
    for circuit in [*circuits, "all"]:
        for condition in CONDITIONS:
            group = [o for o in lessons if circuit in ("all", o.circuit) and condition == o.condition]
            if not group:
                continue
            cells = []
            for name, title, form in MEASURES:
                values = np.array([float(getattr(o, name)) for o in group])
                if name == "halved":
                    values = np.where(values > group[0].laps, np.inf, values)
                cells.append(f"{title} {cell(values, form)}")
            done = sum(o.halved <= o.laps for o in group)
            lines.append(f"{circuit:6s} {condition:10s} halved {done:3d}/{len(group):<3d} | " + " | ".join(cells))
    lines += [compared(lessons, other) for other in ("alone", "everything")]
    return "\n".join(lines)


def compared(lessons: list[Lesson], other: str) -> str:
    """The product against another condition, driver by driver."""
    by = {(o.circuit, o.seed, o.condition): o for o in lessons}
    pairs = [(o, by[o.circuit, o.seed, other]) for o in lessons if o.condition == "product"
             and (o.circuit, o.seed, other) in by]  # fmt: skip
    if not pairs:
        return ""
    parts = []
    for name in ("final", "silent"):
        gain = np.array([getattr(b, name) - getattr(a, name) for a, b in pairs])
        parts.append(f"{name} gap smaller by {cell(gain, '+.2f')} s, for {np.mean(gain > 0):.0%} of the drivers")
    sooner = np.mean([a.halved < b.halved for a, b in pairs])
    later = np.mean([a.halved > b.halved for a, b in pairs])
    return f"product against {other}: {'; '.join(parts)}; halved sooner for {sooner:.0%}, later for {later:.0%}"


STYLE = {"alone": ("#000000", "--", "o"), "product": ("#0072B2", "-", "s"), "everything": ("#D55E00", ":", "^")}
"""Okabe-Ito colours (Wong 2011, Nature Methods), each with its own line and mark."""


def picture(lessons: list[Lesson], path: Path) -> None:
    """Gap over laps: median of all drivers with quartiles, and the lap from which the coach is silent."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(figsize=(8.0, 4.5), dpi=100, layout="constrained")
    laps = lessons[0].laps
    for condition in CONDITIONS:
        group = np.array([o.gaps / o.first for o in lessons if o.condition == condition])
        if not len(group):
            continue
        colour, line, mark = STYLE[condition]
        x = np.arange(1, group.shape[1] + 1)
        low, middle, high = np.percentile(group, [25, 50, 75], axis=0)
        axes.fill_between(x, low, high, color=colour, alpha=0.12, linewidth=0)
        axes.plot(x, middle, color=colour, linestyle=line, marker=mark, markersize=5, label=NAMES[condition])
    axes.axvline(laps + 0.5, color="#555555", linewidth=1)
    axes.annotate("silence from here on", (laps + 0.6, 0.04), fontsize=9, color="#333333")
    axes.axhline(0.5, color="#555555", linewidth=0.8, linestyle=(0, (1, 3)))
    axes.set(xlabel="lap", ylabel="gap to the reference, share of the first two laps", ylim=(0.0, 1.3))
    drivers = len({(o.circuit, o.seed) for o in lessons})
    axes.set_title(f"Simulated learners: {drivers} drivers, median and quartiles", fontsize=11)
    axes.legend(frameon=False, loc="upper right")
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, metadata={"Software": None})
    pyplot.close(figure)


NAMES = {"alone": "no coach", "product": "this coach", "everything": "says everything at each corner"}


def lessons_of(args: argparse.Namespace, traits: Traits) -> Iterator[Lesson]:
    """Drive what was asked for; what ``--keep`` holds is not driven again."""
    keep = Path(args.keep) if args.keep else None
    held = {}
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
    parser.add_argument("--conditions", nargs="*", default=list(CONDITIONS), choices=CONDITIONS)
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
