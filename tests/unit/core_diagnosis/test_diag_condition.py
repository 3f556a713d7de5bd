"""Interpretation of the condition: a slow road, a slow driver, traffic, another car; from invented uses of grip."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.diagnose.condition import ALIKE, ODD, PUSHES, STEADY, Condition, Today
from coach.core.measure.grip_shares import Use

CORNERS = 9
HUMAN = 0.012
"""Scatter of the use of grip from corner to corner on the simulated laps."""


def drive(
    condition: Condition,
    laps: int,
    grip: float = 1.0,
    habits: dict[int, float] | None = None,
    power: float = 1.0,
    push: float = 1.0,
    seed: int = 0,
) -> list[Today]:
    """Laps at ``grip``, with ``habits`` that use only a share of it at their corner."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(laps):
        for corner in range(CORNERS):
            use = grip * (habits or {}).get(corner, 1.0) * math.exp(HUMAN * float(rng.normal()))
            out.append(condition.take(corner, Use(use, power, push)))
    return out


def test_low_everywhere_by_the_same_factor_is_the_condition() -> None:
    today = drive(Condition(CORNERS), 3, grip=0.86)[-1]
    assert today.settled
    assert not today.as_reference
    assert today.grip == pytest.approx(0.86, abs=0.01)
    assert today.words == "grip is down 14 %, no pace cues"


def test_low_at_one_corner_is_the_driver() -> None:
    for today in drive(Condition(CORNERS), 8, habits={4: 0.8, 7: 0.9}):
        assert today.as_reference
        assert today.grip == pytest.approx(1.0, abs=STEADY)
        assert today.words == ""


def test_a_wide_scatter_is_no_change() -> None:
    """A person whose use of grip scatters by 5 % from pass to pass is judged in nearly every one of them."""
    judged = []
    for seed in range(8):
        condition, rng = Condition(CORNERS), np.random.default_rng(seed)
        for i in range(12 * CORNERS):
            today = condition.take(i % CORNERS, Use(math.exp(0.05 * float(rng.normal())), 1.0, 1.0))
            judged.append(today.settled)
    assert sum(judged) / len(judged) >= 0.94


def test_low_by_another_factor_at_each_corner_is_no_condition() -> None:
    spread = {c: 0.72 + 0.04 * c for c in range(CORNERS - 1)}
    today = drive(Condition(CORNERS), 6, habits=spread)[-1]
    assert today.grip == 1.0
    assert today.settled


def test_rain_silences_within_half_a_lap_and_is_known_after_another_lap() -> None:
    condition = Condition(CORNERS)
    drive(condition, 4)
    after = drive(condition, 3, grip=0.85, seed=1)
    silent = [i for i, today in enumerate(after) if not today.settled]
    assert 1 <= silent[0] <= CORNERS // 2
    assert all(not t.as_reference for t in after[silent[0] :])
    assert after[-1].settled
    assert after[-1].grip == pytest.approx(0.85, abs=0.01)


def test_what_was_known_comes_back_at_once_after_traffic() -> None:
    condition = Condition(CORNERS)
    drive(condition, 4)
    rng = np.random.default_rng(5)
    held = [condition.take(c, Use(float(rng.uniform(0.75, 0.9)), 1.0, 1.0)) for c in range(CORNERS)]
    assert not held[-1].settled
    assert all(today.as_reference for today in drive(condition, 1, seed=2)[2:])


def test_drying_is_followed_without_silence() -> None:
    condition = Condition(CORNERS)
    drive(condition, 3, grip=0.86)
    for lap in range(8):
        grip = 0.86 + 0.015 * (lap + 1)
        today = drive(condition, 1, grip=grip, seed=lap)[-1]
        assert today.settled
        assert today.grip == pytest.approx(grip, abs=0.02)


def test_a_slow_lap_without_full_throttle_is_no_condition() -> None:
    condition = Condition(CORNERS)
    drive(condition, 3)
    slow = drive(condition, 2, grip=0.6, push=0.5 * PUSHES)
    assert not slow[-1].settled
    assert "not at pace" in slow[-1].words
    assert drive(condition, 1, seed=3)[-1].as_reference


def test_another_engine_is_another_car() -> None:
    today = drive(Condition(CORNERS), 3, grip=1.1, power=0.72)[-1]
    assert "another car" in today.words
    assert not today.as_reference
    assert today.power == pytest.approx(0.72)


def test_four_odd_passes_make_a_change_and_three_do_not() -> None:
    condition = Condition(CORNERS)
    drive(condition, 4)
    low = 1.0 - 2.0 * ODD * 0.015
    known = [condition.take(c, Use(low, 1.0, 1.0)) for c in range(4)]
    assert [today.odd for today in known] == [True] * 4
    assert [today.settled for today in known] == [True, True, True, False]


def test_a_habit_that_is_cured_is_no_change() -> None:
    condition = Condition(CORNERS)
    drive(condition, 4, habits={3: 0.85, 4: 0.85, 5: 0.9, 6: 0.9})
    assert all(today.settled for today in drive(condition, 2, seed=1))


def test_a_channel_that_is_absent_says_nothing() -> None:
    condition = Condition(CORNERS)
    for corner in range(2 * CORNERS):
        today = condition.take(corner % CORNERS, Use(math.nan, math.nan, math.nan))
    assert today == Today()


def test_other_corners_keep_the_condition() -> None:
    condition = Condition(CORNERS)
    drive(condition, 3, grip=0.86)
    after = condition.move({c: c + 1 for c in range(CORNERS)}, CORNERS + 1)
    assert after.take(3, Use(0.86, 1.0, 1.0)).grip == pytest.approx(0.86, abs=0.01)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.7, 1.2), st.integers(0, 1000), st.sets(st.integers(0, CORNERS - 1), max_size=CORNERS // 2 - 1))
def test_the_factor_is_found_whatever_the_habits(grip: float, seed: int, at: set[int]) -> None:
    """Blind to habits at fewer than half of the corners, and it never takes a driver's scatter for a change."""
    out = drive(Condition(CORNERS), 5, grip=grip, habits=dict.fromkeys(at, 0.85), seed=seed)
    assert out[-1].settled
    assert out[-1].grip == pytest.approx(grip, rel=ALIKE) or (at and out[-1].grip == 1.0)


def steady(uses: list[Use]) -> Today:
    """Each of ``uses`` in turn at the corners of a lap, for four laps."""
    condition = Condition(CORNERS)
    for i in range(4 * CORNERS):
        condition.take(i % CORNERS, uses[i % len(uses)])
    return condition.today


@pytest.mark.parametrize(("grip", "usual"), [(0.975, True), (0.965, False)])
def test_three_per_cent_of_grip_is_another_condition(grip: float, usual: bool) -> None:
    assert steady([Use(grip, 1.0, 1.0)]).as_reference is usual


@pytest.mark.parametrize(("power", "usual"), [(0.96, True), (0.94, False)])
def test_five_per_cent_of_the_engine_is_another_car(power: float, usual: bool) -> None:
    assert steady([Use(1.0, power, 1.0)]).as_reference is usual


@pytest.mark.parametrize(("push", "settled"), [(0.55, True), (0.45, False)])
def test_who_gives_full_throttle_on_half_of_where_he_could_is_at_pace(push: float, settled: bool) -> None:
    assert steady([Use(1.0, 1.0, push)]).settled is settled


@pytest.mark.parametrize("elsewhere", [0.45, 0.9])
def test_corners_whose_throttle_a_habit_takes_say_nothing_of_the_pace(elsewhere: float) -> None:
    """Three corners in a row without full throttle in every lap: a habit of one who is at pace, else no pace at all."""
    assert steady([Use(1.0, 1.0, elsewhere)] * (CORNERS - 3) + [Use(1.0, 1.0, 0.2)] * 3).settled is (elsewhere > 0.5)


def test_who_is_at_pace_and_then_no_more_is_no_measure() -> None:
    condition = Condition(CORNERS)
    for i in range(3 * CORNERS):
        condition.take(i % CORNERS, Use(1.0, 1.0, 0.2 if i % CORNERS == 0 else 0.9))
    assert condition.today.settled
    for i in range(4):
        condition.take(i, Use(1.0, 1.0, 0.1 if i == 0 else 0.4))
    assert not condition.today.settled


@pytest.mark.parametrize(("apart", "grip"), [(0.0175, 0.95), (0.0236, 1.0)])
def test_corners_are_alike_up_to_a_scatter_of_three_per_cent(apart: float, grip: float) -> None:
    uses = [Use(0.95 * math.exp(sign * apart), 1.0, 1.0) for sign in (0, 1, -1, 1, -1, 1, -1, 1, -1)]
    assert steady(uses).grip == pytest.approx(grip, abs=0.001)


@pytest.mark.parametrize(("level", "grip"), [(0.9, 1.0), (0.8, 0.8)])
def test_a_level_three_scatters_off_is_the_condition_however_corners_differ(level: float, grip: float) -> None:
    """A driver who is slow by 20 % at every corner, give or take 5 %, is no driver but a wet road."""
    uses = [Use(level * math.exp(sign * 0.034), 1.0, 1.0) for sign in (0, 1, -1, 1, -1, 1, -1, 1, -1)]
    assert steady(uses).grip == pytest.approx(grip, abs=0.001)


def test_a_road_that_dries_stays_one_condition() -> None:
    """Grip rises by 0.35 % from corner to corner: the corners of a lap differ, but one pass from the next does not."""
    condition = Condition(CORNERS)
    known = [condition.take(i % CORNERS, Use(min(0.85 + 0.0035 * i, 1.0), 1.0, 1.0)) for i in range(4 * CORNERS)]
    assert all(today.grip < 1.0 for today in known[2 * CORNERS :] if today.settled)


@pytest.mark.parametrize(("slowest", "odd"), [(0.93, False), (0.9, True)])
def test_a_slow_middle_beside_a_usual_peak_may_be_the_beginning_of_traffic(slowest: float, odd: bool) -> None:
    condition = Condition(CORNERS)
    for corner in range(CORNERS):
        condition.take(corner, Use(1.0, 1.0, 1.0))
    assert condition.take(0, Use(1.0, 1.0, 1.0, slowest)).odd is odd


@pytest.mark.parametrize(("lower", "odd"), [(0.04, False), (0.05, True)])
def test_a_pass_is_odd_from_three_deviations_on(lower: float, odd: bool) -> None:
    condition = Condition(CORNERS)
    for corner in range(CORNERS):
        condition.take(corner, Use(1.0, 1.0, 1.0))
    assert condition.take(0, Use(math.exp(-lower), 1.0, 1.0)).odd is odd


def test_an_engine_is_known_from_five_passes() -> None:
    condition = Condition(3)
    known = [condition.take(i % 3, Use(1.0, 0.8, 1.0)).power for i in range(5)]
    assert known == [1.0, 1.0, 1.0, 1.0, 0.8]


def test_a_long_lap_is_known_from_twelve_passes() -> None:
    condition = Condition(40)
    known = [condition.take(i, Use(0.9, 1.0, 1.0)).grip for i in range(7)]
    assert known[5] == 1.0
    assert known[6] == pytest.approx(0.9)
