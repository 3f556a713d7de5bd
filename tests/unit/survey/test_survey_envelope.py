from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from simulated import columns_of

from coach.core.columns import Floats
from coach.profile.reference_file import read_reference, write_reference
from coach.survey import survey
from coach.survey.envelope.fit import fit_envelope
from coach.survey.envelope.quantile import quantile_fit
from coach.survey.envelope.reachable import Reach, reach_of, reachable_reference, shown_of
from coach.survey.envelope.samples import Samples, samples_of
from coach.survey.survey import Survey
from feeds.practice import FaultPlan, Habit, faultless, hollow_ridge, simulate


@cache
def base():  # type: ignore[no-untyped-def]
    """The practice circuit and its faultless lap."""
    return faultless(hollow_ridge())


@cache
def surveyed(laps: int = 6) -> Survey:
    """Some laps of the practice driver, two corners with a habit."""
    names = [c.name for c in base().corners]
    plan = FaultPlan((Habit(names[0], "brake_early", 25.0), Habit(names[3], "slow_middle", 3.0)))
    return survey(columns_of(simulate(base(), laps, seed=4, faults=plan)), circuit="test")


@cache
def reached() -> Reach:
    """The reachable lap of these laps."""
    found = reach_of(surveyed())
    assert found is not None
    return found


def test_a_quantile_fit_leaves_its_share_below() -> None:
    """Koenker and Bassett 1978: of n samples at least n times the share less the coefficients lie at or below."""
    rng = np.random.default_rng(1)
    v = rng.uniform(10.0, 60.0, 500)
    values = 12.0 + 0.001 * v * v - np.abs(rng.normal(0.0, 1.0, 500))
    features = np.column_stack([np.ones(500), v * v])
    below = values <= features @ quantile_fit(features, values, 0.9) + 1e-9
    assert 0.9 == pytest.approx(below.mean(), abs=0.005)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.sampled_from([0.5, 0.8, 0.9]))
def test_one_coefficient_needs_no_program(seed: int, share: float) -> None:
    """The weighted quantile of the ratios costs no more than what the linear program finds."""
    rng = np.random.default_rng(seed)
    feature, values, w = rng.uniform(0.5, 2.0, 60), rng.uniform(1.0, 9.0, 60), rng.integers(1, 4, 60).astype(float)

    def loss(coefficient: float) -> float:
        rest = values - feature * coefficient
        return float((w * np.maximum(share * rest, (share - 1.0) * rest)).sum())

    bounds = list(zip((w * (share - 1.0)).tolist(), (w * share).tolist(), strict=True))
    program = linprog(-values, A_ub=feature[None, :], b_ub=np.zeros(1), bounds=bounds, method="highs-ds")
    ours = float(quantile_fit(feature[:, None], values, share, w)[0])
    assert loss(ours) <= loss(float(-program.ineqlin.marginals[0])) + 1e-9


def test_the_envelope_is_the_practice_car() -> None:
    """Lateral within 3 % and drag within 15 % of the car that was driven; what was fitted is sure to a few per cent."""
    car = base().car
    made = reached().fitted.envelope
    assert () == reached().fitted.unknown
    assert made.left is not None
    assert made.power_wpkg is not None
    for v in (20.0, 35.0, 50.0):
        true = car.grip * (9.80665 + car.downforce_pm * v * v)
        assert true == pytest.approx(float(made.left.at(np.array([v]), np.ones(1))[0]), rel=0.03)
    full = made.power_wpkg / 55.0 - made.drag_pm * 55.0**2
    assert car.engine_mps2(55.0, 5) - car.drag_pm * 55.0**2 - car.rolling_mps2 == pytest.approx(full, rel=0.1)
    assert len(reached().fitted.draws) >= 20


def test_the_reachable_lap_is_near_the_optimum() -> None:
    """Within 1 % of the faultless lap and not 0.3 % faster, though two corners are slow in every lap."""
    time = reached().time_s
    assert time is not None
    assert -0.003 <= float(time[-1]) / base().lap_time_s - 1.0 <= 0.01
    assert float(time[-1]) < surveyed().reference.lap_time_s


def test_a_reachable_reference_is_a_reference(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """It is written and read back whole, with pedals that go with its speed, on the best of the driven lines."""
    line = reached().line
    assert line is not None
    made = reachable_reference(surveyed().reference, reached())
    write_reference(tmp_path / "r.arrow", made)
    back = read_reference(tmp_path / "r.arrow")
    assert made.shown == back.shown
    assert back.shown is not None
    assert back.shown.reachable
    driven = surveyed().reference
    assert np.hypot(driven.x_m - back.x_m, driven.y_m - back.y_m) == pytest.approx(np.abs(line.offset_m), abs=2e-3)
    braking = np.gradient(back.speed_mps) < -0.05
    assert 0.9 < float((back.brake[braking] > 0.0).mean())
    pulling = np.gradient(back.speed_mps) > 0.05
    assert 0.9 < float((back.throttle[pulling] > 0.5).mean())
    assert not ((back.throttle > 0.0) & (back.brake > 0.0)).any()


def test_less_is_asked_of_a_real_car() -> None:
    """With 97 % of what was shown the lap is slower, by about half of the 3 % in its corners."""
    less = reach_of(surveyed(), 0.97)
    assert less is not None
    assert less.time_s is not None
    assert reached().time_s is not None
    assert 1.004 < float(less.time_s[-1]) / float(reached().time_s[-1]) < 1.02  # type: ignore[index]


def test_two_laps_show_nothing() -> None:
    """Fewer than three valid laps: nothing is known, and the reason says how many are needed."""
    found = reach_of(surveyed(2))
    assert found is not None
    assert found.speed_mps is None
    assert "3 are needed" in found.fitted.unknown[0]
    with pytest.raises(ValueError, match="3 are needed"):
        reachable_reference(surveyed(2).reference, found)


def test_a_careful_driver_shows_no_limit() -> None:
    """Where each corner is driven with another margin, nothing tells a limit: unknown, not a false one."""
    whole = surveyed()
    assert whole.lines is not None
    samples = samples_of(whole.trace, whole.lines, whole.reference, whole.corners)
    margin: Floats = np.interp(
        np.arange(samples.speed_mps.shape[1]), *_margins(samples.corner), period=samples.speed_mps.shape[1]
    )
    careful = replace(
        samples, speed_mps=samples.speed_mps * np.sqrt(margin), accel_mps2=samples.accel_mps2 * margin
    )  # fmt: skip
    fitted = fit_envelope(careful)
    assert not fitted.envelope.whole
    assert any(line.startswith("cornering") for line in fitted.unknown)


def _samples() -> Samples:
    whole = surveyed()
    assert whole.lines is not None
    return samples_of(whole.trace, whole.lines, whole.reference, whole.corners)


def _braked_only_at(samples: Samples, corners: tuple[int, ...]) -> Samples:
    """The same driver lifts, but does not brake, before every other corner."""
    elsewhere = ~np.isin(samples.corner, corners)
    return replace(
        samples, accel_mps2=np.where(elsewhere, np.maximum(samples.accel_mps2, -1.0), samples.accel_mps2)
    )  # fmt: skip


def test_one_hard_braking_place_is_enough() -> None:
    """Braked hard before one corner only, lap after lap: the limit is known, within 10 % of that of all corners."""
    samples = _samples()
    whole = fit_envelope(samples, 0).envelope.brake
    least = [samples.accel_mps2[:, samples.corner == k].min() for k in range(int(samples.corner.max()) + 1)]
    hardest = int(np.argmin(least))
    one = fit_envelope(_braked_only_at(samples, (hardest,)), 0)
    assert () == one.unknown
    assert whole is not None
    assert one.envelope.brake is not None
    assert whole.base_mps2 == pytest.approx(one.envelope.brake.base_mps2, rel=0.1)


@pytest.mark.parametrize("share", [0.25, 0.5])
def test_soft_braking_everywhere_shows_no_braking_limit(share: float) -> None:
    """Soft braking at every corner shows no braking limit, even with cornering at the limit."""
    samples = _samples()
    soft = np.where(samples.accel_mps2 < 0.0, share * samples.accel_mps2, samples.accel_mps2)
    fitted = fit_envelope(replace(samples, accel_mps2=soft), 0)
    assert fitted.envelope.left is not None
    assert fitted.envelope.brake is None
    assert any("of the cornering limit" in line for line in fitted.unknown)


@pytest.mark.parametrize(("most", "locked", "known"), [(1.0, False, True), (0.85, False, True), (0.7, False, False),
                                                       (0.7, True, True)])  # fmt: skip
def test_the_pedal_tells_of_a_margin(most: float, locked: bool, known: bool) -> None:
    """A brake pedal that never went near its end has more to give, unless anti-lock came on."""
    samples = _samples()
    assert samples.pressed is not None
    pressed = most * samples.pressed / samples.pressed.max()
    lock = (pressed > 0.6 * most) & locked
    fitted = fit_envelope(replace(samples, pressed=pressed, locked=lock), 0)
    assert known == (fitted.envelope.brake is not None)
    assert locked == fitted.proven


def _margins(corner) -> tuple[Floats, Floats]:  # type: ignore[no-untyped-def]
    places = np.array([np.flatnonzero(corner == i).mean() for i in range(int(corner.max()) + 1)])
    return places, np.linspace(0.55, 0.85, len(places))[np.random.default_rng(2).permutation(len(places))]


def test_a_driver_may_say_that_he_was_at_the_limit() -> None:
    """A pedal that never went near its end then hides nothing; without his word the limits are a least."""
    samples = _samples()
    assert samples.pressed is not None
    light = replace(samples, pressed=0.5 * samples.pressed, locked=np.zeros_like(samples.locked))
    alone, said = (fit_envelope(light, 0, at_limit=at) for at in (False, True))
    assert "pedal" in alone.unknown[0]
    assert () == said.unknown
    assert (False, True) == (alone.proven, said.proven)
    assert [True, False] == [shown_of(one, 1.0).at_least for one in (alone, said)]
    with_flag = fit_envelope(replace(samples, locked=np.ones_like(samples.locked)), 0)
    assert not shown_of(with_flag, 1.0).at_least
