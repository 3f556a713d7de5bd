"""The coaches of the closed loop, and where they teach: the product, one who says everything, one who knows all."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from generated_circuits import generated_circuit
from learner import Heard, LearningDriver
from simulated import columns_of, match_corners

from coach.core.pipeline import Pipeline
from coach.core.reference import Reference
from coach.core.rules import RuleSet
from coach.core.values import Corner, Decision, Finding
from coach.core.wording import NUMBERS
from coach.outputs.voice.bank import estimate_s
from coach.profile.rule_files import load_rules, phrases
from coach.profile.store import load_plan
from coach.survey.survey import survey
from feeds.practice import Habit, Scatter, applies, faultless, hollow_ridge, simulate
from feeds.practice.faultless import Faultless

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
    match = match_corners(base, corners, reference) | _inside(base, corners, reference)
    return Ground(base, reference, corners, {corners[i].name: there for i, there in match.items()})


def _inside(base: Faultless, corners: tuple[Corner, ...], reference: Reference) -> dict[int, int]:
    """Profile corners that hold one apex of the simulator and no other: a long corner's own apex may lie elsewhere."""
    longer = base.circuit.length_m / reference.length_m
    out = {}
    for i, c in enumerate(corners):
        held = [a.index for a in base.corners if longer * c.turn_in_m <= a.apex_m <= longer * c.end_m]
        if len(held) == 1:
            out[i] = held[0]
    return out


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


@cache
def rules_of(name: str) -> RuleSet:
    """A rule set that ships."""
    return load_rules(name)


@cache
def durations(circuit: Ground, rules: str) -> dict[str, float]:
    """How long each phrase takes to say [s]."""
    return {text: estimate_s(text, RATE_WPM) for text in phrases(rules_of(rules), circuit.corners)}


class Product:
    """The coach as it ships, told frame by frame."""

    def __init__(self, place: Ground, rules: str) -> None:
        self.place = place
        self.pipeline = Pipeline(place.reference, place.corners, rules_of(rules), durations(place, rules))
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
        asks = ((d.fault, metres_in(d.text)),) if d.family == "correction" else ()
        return Heard(d.t_s, d.ends_t_s, self.place.match.get(d.corner), asks, int(d.family != "confirmation"))


class SaysEverything:
    """A coach without judgement: 4 s before each corner he reads out all that was found there the last time."""

    AHEAD_S = 4.0

    def __init__(self, place: Ground, rules: str) -> None:
        self.place = place
        self.pipeline = Pipeline(place.reference, place.corners, rules_of(rules))
        self.words = {r.about: r.long for r in rules_of(rules).rules if r.family == "correction"}
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

    def __init__(self, place: Ground, rules: str) -> None:
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


_METRES = {words: float(metres) for metres, words in NUMBERS.items()}


def metres_in(text: str) -> float:
    """The metres that a text names ("five metres"), NaN when it names none."""
    told = re.search(r"([\w-]+) metres", text)
    return _METRES[told[1]] if told else float("nan")
