"""Passes of simulated laps, judged by what that day allows: grip, another car, a driver who is carried wide."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))

from simulated import columns_of

from coach.app.rerun.rerun import Rerun, rerun, settle_findings
from coach.app.setup import Setup
from coach.core.cue.rules import RuleSet
from coach.core.diagnose.judging import FASTER, STEP
from coach.profile.store import load_plan
from feeds.practice import FaultPlan, Habit, PracticeCar, Scatter, faultless, hollow_ridge, simulate
from feeds.practice.faultless import Faultless

LAPS = 5
KNOWN_FROM = 3
"""The first lap in which a condition that was there from the start has been known for a while."""


@cache
def base(grip: float = 1.0, power: float = 1.0) -> Faultless:
    car = PracticeCar()
    return faultless(hollow_ridge(), replace(car, grip=grip * car.grip, power_w=power * car.power_w))


@dataclass(frozen=True, eq=False)
class Driven:
    result: Rerun
    names: tuple[str, ...]

    def found(self, from_lap: int = KNOWN_FROM) -> list[tuple[str, str]]:
        """Corner and fault of each finding from that lap on."""
        passes = settle_findings(self.result)
        return [(self.names[p.corner], f.fault) for p in passes if p.lap >= from_lap for f in p.findings]


@cache
def drive(grip: float = 1.0, power: float = 1.0, fault: str = "", corner: str = "", amount: float = 0.0) -> Driven:
    """Laps of a practised driver on the demo circuit, with one habit or none, against the profile's reference."""
    plan = load_plan("hollow_ridge")
    on = base(grip, power)
    faults = FaultPlan.of(Habit(on.corner(corner), fault, amount)) if fault else None
    run = simulate(on, LAPS, rate_hz=20.0, seed=4, faults=faults, scatter=Scatter(1.0, 0.15, 0.08))
    setup = Setup("day", plan.reference, plan.corners, RuleSet("none", "improving", ()))
    return Driven(rerun([columns_of(run)], setup), tuple(c.name for c in plan.corners))


@pytest.mark.parametrize(("grip", "power"), [(1.0, 1.0), (0.87, 1.0), (1.08, 0.75)])
def test_a_driver_at_the_limit_of_that_day_has_no_fault(grip: float, power: float) -> None:
    assert drive(grip, power).found() == []


@pytest.mark.parametrize(("grip", "power"), [(0.87, 1.0), (1.08, 0.75)])
def test_the_day_is_known_from_the_driving(grip: float, power: float) -> None:
    today = drive(grip, power).result.pipeline.judged[-1].today
    assert today.grip == pytest.approx(grip, abs=2.0 * STEP)
    assert today.power == pytest.approx(power, abs=0.02)
    assert today.words


def test_losses_against_that_day_are_small_where_those_against_the_reference_are_large() -> None:
    wet = drive(0.87)
    late = [j for j in wet.result.pipeline.judged if j.driven.lap >= KNOWN_FROM and j.today.settled]
    raw = {(p.lap, p.corner): p.loss_s + p.loss_straight_s for p in wet.result.events.passes}
    assert sum(raw[j.driven.lap, j.driven.corner] for j in late) > 3.0
    assert abs(float(np.median([j.driven.total_s for j in late]))) < 0.05


def test_a_habit_is_found_in_the_wet_and_nothing_else() -> None:
    found = drive(0.87, 1.0, "brake_early", "Quarry", 30.0).found()
    assert len(found) >= 2
    assert set(found) == {("Quarry", "brake_early")}


def test_what_asks_for_speed_rests_in_the_wet() -> None:
    found = drive(0.87, 1.0, "slow_middle", "Quarry", 3.0).found()
    assert not [f for f in found if f[1] in FASTER]
    assert ("Quarry", "slow_middle") in drive(1.0, 1.0, "slow_middle", "Quarry", 3.0).found()


@pytest.mark.parametrize(("fault", "corner", "amount"), [("apex_missed", "Larch", 1.2), ("exit_wide", "Larch", 1.2)])
def test_off_the_line_no_more_speed_or_throttle_is_asked_for(fault: str, corner: str, amount: float) -> None:
    found = drive(1.0, 1.0, fault, corner, amount).found(1)
    assert not [f for f in found if f[0] == corner and f[1] in FASTER]


def test_probabilities_lie_between_none_and_one() -> None:
    passes = settle_findings(drive(1.0, 1.0, "slow_middle", "Quarry", 3.0).result)
    sure = [f.probability for p in passes for f in p.findings if p.corner == 0]
    assert sure
    assert all(0.5 < p <= 1.0 for p in sure)
