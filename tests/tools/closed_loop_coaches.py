"""The product as a coach in the closed loop, and one who knows all; the baselines stand in closed_loop_baselines."""

from __future__ import annotations

import re
from functools import cache

from closed_loop_drivers import Ground
from learner import Heard, LearningDriver

from coach.core.cue.language import ENGLISH
from coach.core.cue.rules import RuleSet
from coach.core.pipeline import Pipeline
from coach.core.values import Decision
from coach.outputs.voice.bank import estimate_s
from coach.profile.rule_files import load_rules, phrases

RATE_WPM = 160


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
        there = self.place.match.get(d.corner)
        return Heard(d.t_s, d.ends_t_s, there, asks, int(d.family != "confirmation"), d.action_t_s)

    @property
    def corrections(self) -> int:
        """How many of the messages asked for something."""
        return sum(d.family == "correction" for d in self.spoken)


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

    @property
    def corrections(self) -> int:
        """All of them ask for something."""
        return len(self.spoken)


_METRES = {words: float(metres) for metres, words in ENGLISH.numbers}


def metres_in(text: str) -> float:
    """The metres that a text asks for ("five metres", "five of fifteen metres"), NaN when it names none."""
    told = re.search(r"([\w-]+)(?: of [\w-]+)? metres", text)
    return _METRES[told[1]] if told else float("nan")
