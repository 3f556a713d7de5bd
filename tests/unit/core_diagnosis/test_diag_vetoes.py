"""Vetoes of a pass: full use of grip, a path driven wide, a gear that the car has lost."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))

from simulated import columns_of

from coach.app.rerun.rerun import Rerun, rerun
from coach.app.setup import Setup
from coach.core.cue.rules import RuleSet
from coach.core.diagnose.gearbox import Gearbox
from coach.core.diagnose.judging import Judged
from coach.core.diagnose.practised import PRIOR
from coach.core.diagnose.tolerance import FLOOR, ToleranceModel
from coach.core.diagnose.vetoes import struck
from coach.core.measure.grip_shares import Use
from coach.core.values import Fault, Finding
from coach.profile.store import load_plan
from feeds.practice import FaultPlan, Habit, Scatter, faultless, hollow_ridge, simulate


@cache
def driven(fault: str = "", corner: str = "Quarry", amount: float = 0.0) -> Rerun:
    """Three laps on the demo circuit with almost no scatter, with one habit or none."""
    plan, on = load_plan("hollow_ridge"), faultless(hollow_ridge())
    faults = FaultPlan.of(Habit(on.corner(corner), fault, amount)) if fault else None
    run = simulate(on, 3, rate_hz=20.0, seed=4, faults=faults, scatter=Scatter(0.3, 0.03, 0.02))
    return rerun([columns_of(run)], Setup("day", plan.reference, plan.corners, RuleSet("none", "improving", ())))


def at(fault: str = "", amount: float = 0.0) -> Judged:
    """The second pass of Quarry."""
    judged = driven(fault, "Quarry", amount).pipeline.judged
    return next(one for one in judged if one.driven.lap == 2 and one.driven.corner == 0)


def vetoed(
    fault: Fault,
    use: Use,
    grip: float = 1.0,
    amount: float = 2.0,
    lost: bool = False,
    gaps: Mapping[str, float] | None = None,
) -> bool:
    """Whether ``fault`` of that pass is ruled out with these shares and gaps."""
    one = at().driven
    one = replace(one, gaps={**one.gaps, "apex_line_m": 0.0, "exit_line_m": 0.0, **(gaps or {})})
    finding = Finding(fault, amount, "m", 0.1, {}, 1.0)
    return struck(one, use, grip, ToleranceModel(), lost)(finding.fault, finding.amount)


def shares(slowest: float = 0.8, braking: float = 0.8, exit_use: float = 0.8) -> Use:
    return Use(1.0, 1.0, 1.0, slowest, braking, exit_use)


@pytest.mark.parametrize("fault", ["slow_middle", "brake_long"])
@pytest.mark.parametrize(("slowest", "grip", "ruled_out"), [(0.96, 1.0, False), (0.98, 1.0, True), (0.86, 0.88, True)])
def test_no_more_speed_where_the_tyres_gave_all(fault: Fault, slowest: float, grip: float, ruled_out: bool) -> None:
    assert vetoed(fault, shares(slowest=slowest), grip, amount=0.1) is ruled_out


@pytest.mark.parametrize("fault", ["brake_early", "brake_soft"])
@pytest.mark.parametrize(("braking", "grip", "ruled_out"), [(0.96, 1.0, False), (0.98, 1.0, True), (0.86, 0.88, True)])
def test_no_later_or_harder_braking_at_the_limit(fault: Fault, braking: float, grip: float, ruled_out: bool) -> None:
    assert vetoed(fault, shares(braking=braking), grip) is ruled_out


@pytest.mark.parametrize("fault", ["throttle_late", "throttle_soft"])
@pytest.mark.parametrize(("exit_use", "ruled_out"), [(0.96, False), (0.98, True)])
def test_no_more_throttle_at_the_limit(fault: Fault, exit_use: float, ruled_out: bool) -> None:
    assert vetoed(fault, shares(exit_use=exit_use)) is ruled_out


@pytest.mark.parametrize("fault", ["slow_middle", "brake_long", "throttle_late", "throttle_soft"])
@pytest.mark.parametrize("name", ["apex_line_m", "exit_line_m"])
def test_neither_speed_nor_throttle_on_a_path_three_deviations_wide(fault: Fault, name: str) -> None:
    assert not vetoed(fault, shares(), gaps={name: 2.0 * PRIOR[name]})
    assert vetoed(fault, shares(), gaps={name: 3.0 * PRIOR[name]})
    assert not vetoed("brake_early", shares(), gaps={name: 3.0 * PRIOR[name]})


@pytest.mark.parametrize(("noise_m", "wide"), [(0.08, True), (0.12, False)])
def test_a_path_with_a_decimetre_of_noise_is_not_wide(noise_m: float, wide: bool) -> None:
    one = at().driven
    assert one.trace is not None
    noisy = replace(one, trace=replace(one.trace, place_noise_m=noise_m), gaps={**one.gaps, "exit_line_m": 2.0})
    finding = Finding("throttle_late", 10.0, "m", 0.1, {}, 1.0)
    assert struck(noisy, shares(), 1.0, ToleranceModel())(finding.fault, finding.amount) is wide


def test_a_lack_of_speed_that_the_path_explains_is_no_slow_middle() -> None:
    """With 0.92 of the grip used, v (0.92^-1/2 - 1) = 4.3 % more speed was possible: under half of a lack of 10 %."""
    speed = at().driven.measures["min_speed_mps"]
    assert vetoed("slow_middle", shares(slowest=0.92), amount=0.10 * speed)
    assert not vetoed("slow_middle", shares(slowest=0.92), amount=0.07 * speed)


def test_what_is_not_known_rules_nothing_out() -> None:
    unknown = Use(math.nan, math.nan, math.nan)
    faults: tuple[Fault, ...] = ("slow_middle", "brake_early", "throttle_late", "gear_low", "apex_missed")
    assert not any(vetoed(fault, unknown) for fault in faults)


@pytest.mark.parametrize("fault", ["gear_high", "gear_low", "throttle_late", "throttle_soft", "brake_late"])
def test_a_lost_gear_takes_the_blame(fault: Fault) -> None:
    assert vetoed(fault, shares(), lost=True)


def test_the_share_of_a_faultless_pass_is_one() -> None:
    use = at().use
    assert use.slowest == pytest.approx(1.0, abs=0.02)
    assert use.braking == pytest.approx(1.0, abs=0.05)
    assert use.exit == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(
    ("fault", "amount", "share"),
    [("brake_early", 25.0, "braking"), ("brake_soft", 0.25, "braking"), ("slow_middle", 3.0, "slowest"),
     ("throttle_soft", 0.3, "exit"), ("throttle_late", 20.0, "exit")],
)  # fmt: skip
def test_a_fault_leaves_grip_unused_where_it_is_made(fault: str, amount: float, share: str) -> None:
    assert getattr(at(fault, amount).use, share) < 0.96


def gears(*engaged: int) -> np.ndarray:
    return np.array(engaged, dtype=np.float64)


def test_a_gear_skipped_for_a_lap_is_lost() -> None:
    box = Gearbox(3)
    for _ in range(2):
        box.take(gears(2, 3, 5, 6))
    assert box.lost == frozenset()
    box.take(gears(2, 3, 5, 6))
    assert box.lost == {4}
    box.take(gears(3, 4, 5))
    assert box.lost == frozenset()


def test_the_lowest_and_the_highest_gear_may_be_left_out() -> None:
    box = Gearbox(2)
    box.take(gears(1, 2, 3, 4, 5, 6))
    for _ in range(2):
        box.take(gears(2, 3, 4, 5))
    assert box.lost == frozenset()
    assert Gearbox(0).lost == frozenset()
    unknown = Gearbox(1)
    unknown.take(np.array([math.nan, 0.0, -1.0]))
    assert unknown.lost == frozenset()


def test_a_wide_scatter_is_known_from_the_second_pass_on() -> None:
    """Nine corners, two passes each, four times the practised scatter: a corner not yet known gets a wider band."""
    rng, tolerance = np.random.default_rng(1), ToleranceModel()
    for _ in range(2):
        for corner in range(9):
            tolerance.learn(corner, {"min_speed_mps": 4.0 * PRIOR["min_speed_mps"] * float(rng.normal())})
    assert tolerance.sigma(99, "min_speed_mps") == pytest.approx(4.0 * PRIOR["min_speed_mps"], rel=0.5)
    assert tolerance.width(99, "min_speed_mps") > 2.0 * FLOOR["min_speed_mps"]


def test_steady_habits_do_not_widen_the_scatter() -> None:
    rng, tolerance = np.random.default_rng(1), ToleranceModel()
    for _ in range(6):
        for corner in range(9):
            gap = -3.0 * (corner % 2) + 0.5 * PRIOR["min_speed_mps"] * float(rng.normal())
            tolerance.learn(corner, {"min_speed_mps": gap})
    assert tolerance.sigma(99, "min_speed_mps") == PRIOR["min_speed_mps"]
