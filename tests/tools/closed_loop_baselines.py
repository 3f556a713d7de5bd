"""Baselines for the product: coaches of a few lines, a debrief between stints, and a bar without words.

They use the product's own findings, so that only the words and their timing differ.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterator

import numpy as np
from closed_loop_coaches import RATE_WPM, rules_of
from closed_loop_drivers import Ground
from learner import FAST_KEPT, Heard, LearningDriver

from coach.core.pipeline import Pipeline
from coach.core.values import Finding, Pass
from coach.outputs.voice.bank import estimate_s
from feeds.practice import UNITS, applies

AHEAD_S = 4.0
COSTLY_S = 0.1
DEBRIEF_LAPS, DEBRIEF_THINGS = 6, 3


class SaysEverything:
    """A coach without judgement: before each corner he reads out all that was found there the last time."""

    form = "long"

    def __init__(self, place: Ground, rules: str) -> None:
        self.place = place
        self.pipeline = Pipeline(place.reference, place.corners, rules_of(rules))
        self.words = {r.about: getattr(r, self.form) for r in rules_of(rules).rules if r.family == "correction"}
        self.found: dict[int, tuple[Finding, ...]] = {}
        self.spoken: list[Heard] = []
        self._free_s = 0.0

    @property
    def corrections(self) -> int:
        """All of his messages ask for something."""
        return len(self.spoken)

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
            acts = float(np.interp(begin_m + place_m, u, columns["t_s"]))
            findings = self.chosen(self.found.get(i, ()), round(begin_m / length))
            if findings and u[0] < begin_m + place_m < u[-1]:
                begins = max(acts - AHEAD_S, self._free_s, float(columns["t_s"][0]))
                self._say(driver, i, there, findings, begins, acts)
                columns = driver.columns
        for done in self.pipeline.push_columns(columns).passes:
            self.found[done.corner] = done.findings

    def chosen(self, findings: tuple[Finding, ...], lap: int) -> tuple[Finding, ...]:
        """Return the findings of the last pass to speak in this lap."""
        return findings

    def _begins(self, u: np.ndarray, length: float) -> Iterator[tuple[float, int]]:
        for i, corner in enumerate(self.place.corners):
            if corner.name in self.place.match:
                for lap in range(int(u[0] // length), int(u[-1] // length) + 1):
                    yield lap * length, i

    def _say(
        self, driver: LearningDriver, i: int, there: int, findings: tuple[Finding, ...], t_s: float, acts_s: float
    ) -> None:
        name = self.place.corners[i].say or self.place.corners[i].name
        texts = [
            re.sub(r"\{metres\}", f"{f.amount:.0f}", self.words[f.fault]) for f in findings if self.words.get(f.fault)
        ]
        if not texts:
            return
        text = ". ".join(t.replace("{corner}", name) for t in texts)
        self._free_s = t_s + 0.06 + estimate_s(text, RATE_WPM) + 0.3
        named = "{metres}" in "".join(self.words.get(f.fault, "") for f in findings)
        asks = tuple((f.fault, f.amount if named and f.unit == "m" else math.nan) for f in findings)
        self.spoken.append(Heard(t_s, self._free_s - 0.3, there, asks, len(asks), acts_s))
        driver.hear(self.spoken[-1])


class SaysEverythingShort(SaysEverything):
    """The same with the short words."""

    form = "short"


class Costliest(SaysEverythingShort):
    """The costliest finding of each corner, in short words, every other lap: no schedule, no arbiter."""

    def chosen(self, findings: tuple[Finding, ...], lap: int) -> tuple[Finding, ...]:
        """One finding that is worth a word, in every other lap."""
        worth = [f for f in findings if f.cost_s >= COSTLY_S]
        return (max(worth, key=lambda f: f.cost_s),) if worth and lap % 2 == 0 else ()


class _Silent:
    """Says nothing while the driver drives, but measures."""

    def __init__(self, place: Ground, rules: str) -> None:
        self.place = place
        self.pipeline = Pipeline(place.reference, place.corners, rules_of(rules))
        self.spoken: list[Heard] = []
        self.corrections = 0
        self.passes: list[Pass] = []
        self.rng = np.random.default_rng(29)

    def thinks_of(self, driver: LearningDriver, there: int, fault: str, things: int) -> None:
        """The driver sets himself to do one thing at a corner in the lap that begins."""
        t = float(driver.columns["t_s"][0])
        driver.hear(Heard(t, t, there, ((fault, math.nan),), things), spoken=False)

    def measure(self, driver: LearningDriver) -> None:
        """Take in the stretch as it was driven in the end."""
        self.passes += self.pipeline.push_columns(driver.columns).passes

    def there(self, done: Pass) -> int | None:
        """The simulator's corner of a pass."""
        return self.place.match.get(self.place.corners[done.corner].name)


class DebriefOnly(_Silent):
    """After every DEBRIEF_LAPS laps the costliest causes are read; what is kept of them fades from lap to lap.

    It fades as what is learned fast does, FAST_KEPT of it is left after each lap (assumed for words that were read).
    """

    def __init__(self, place: Ground, rules: str) -> None:
        super().__init__(place, rules)
        self.kept: list[tuple[int, str]] = []
        self.laps = 0

    def coach(self, driver: LearningDriver) -> None:
        """One stretch."""
        driver.drive()
        if self.laps and self.laps % DEBRIEF_LAPS == 0:
            self.kept = self._read()
        for there, fault in self.kept:
            self.thinks_of(driver, there, fault, 1)
        self.kept = [one for one in self.kept if self.rng.random() < FAST_KEPT]
        self.measure(driver)
        self.laps += 1

    def _read(self) -> list[tuple[int, str]]:
        """The causes that cost most since the last debrief."""
        costs: dict[tuple[int, str], float] = defaultdict(float)
        for done in self.passes:
            there = self.there(done)
            if there is not None:
                for f in done.findings:
                    costs[there, f.fault] += f.cost_s
        self.passes.clear()
        return sorted(costs, key=lambda key: -costs[key])[:DEBRIEF_THINGS]


class DeltaBar(_Silent):
    """A bar shows where the time goes, not why: there the driver tries something that could be the cause."""

    def coach(self, driver: LearningDriver) -> None:
        """One stretch: one try at the corner that cost most in the last one."""
        driver.drive()
        lost = [(p.loss_s + p.loss_straight_s, there) for p in self.passes if (there := self.there(p)) is not None]
        if lost and max(lost)[0] > COSTLY_S:
            there = max(lost)[1]
            possible = [fault for fault in UNITS if applies(self.place.base, there, fault)]
            self.thinks_of(driver, there, possible[int(self.rng.integers(len(possible)))], 0)
        self.passes.clear()
        self.measure(driver)
