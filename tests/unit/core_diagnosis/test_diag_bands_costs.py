"""Bands, counterfactual costs and the car's envelope: what they must never do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from test_diag_measures import hand_made

from coach.core.diagnose.counterfactual import Counterfactual
from coach.core.diagnose.practised import PRIOR
from coach.core.diagnose.tolerance import FLOOR, KEPT, ToleranceModel, shorth_sigma
from coach.core.measure.measures import measure
from coach.core.track.car import Car

CAR = Car(np.array([10.0, 60.0]), np.array([11.0, 11.0]), 270.0, 0.0006)


def what_if() -> Counterfactual:
    """The hand-made reference, ready to be driven with a fault."""
    trace, zone = hand_made()
    return Counterfactual(trace, zone, measure(trace, zone), CAR)


def test_scatter_is_blind_to_a_fault_in_some_passes() -> None:
    """A third of the passes 20 m off change the deviation of the others by less than a half."""
    rng = np.random.default_rng(2)
    good = 2.0 * rng.standard_normal(40)
    invalid_reason = [*good[:27].tolist(), *(good[27:] - 20.0).tolist()]
    assert_allclose(shorth_sigma(good.tolist()), 2.0, rtol=0.35)
    assert shorth_sigma(invalid_reason) < 1.5 * 2.0 * 1.35


@pytest.mark.parametrize("name", sorted(FLOOR))
def test_no_band_is_narrower_than_its_floor(name: str) -> None:
    """A driver without any scatter still has the floor as his band."""
    bands = ToleranceModel()
    for _ in range(KEPT):
        bands.learn(0, {name: 0.0, "loss_s": 0.0})
    assert bands.width(0, name) >= FLOOR[name]


def test_a_habit_never_becomes_the_usual() -> None:
    """Twenty passes that brake 20 m early leave nothing to compare with; three good ones among them do."""
    bands = ToleranceModel()
    row = dict.fromkeys(PRIOR, 0.0)
    for _ in range(20):
        bands.learn(0, {**row, "brake_start_m": -20.0, "loss_s": 0.3})
    assert {} == bands.baseline(0)
    for loss in (0.01, 0.02, 0.03):
        bands.learn(0, {**row, "brake_start_m": 1.0, "loss_s": loss})
    assert (1.0, 0.02) == (bands.baseline(0)["brake_start_m"], bands.baseline(0)["loss_s"])


@pytest.mark.parametrize(
    ("measure_name", "gap"),
    [
        ("brake_start_m", -16.0), ("brake_peak", -0.3), ("min_speed_mps", -2.0), ("drive_late_m", 14.0),
        ("drive_share", 0.4), ("idle_after_m", 20.0), ("gear_mean", -0.9), ("entry_line_m", 1.5),
        ("apex_line_m", -1.2), ("exit_line_m", 1.5),
    ],
)  # fmt: skip
def test_no_kind_of_habit_becomes_the_usual(measure_name: str, gap: float) -> None:
    """A driver who does it in every lap has no usual that hides it, whatever it is."""
    bands = ToleranceModel()
    for i in range(12):
        bands.learn(0, {"loss_s": 0.3, measure_name: gap + 0.01 * i})
    assert {} == bands.baseline(0)


@pytest.mark.parametrize("method", ["braking_earlier", "driving_later", "slower", "leaving_slower", "arriving_slower"])
@settings(max_examples=30)
@given(small=st.floats(0.0, 10.0), more=st.floats(0.1, 5.0))
def test_more_of_a_fault_never_costs_less(method: str, small: float, more: float) -> None:
    """Costs start at 0 and grow with the amount."""
    cost = getattr(what_if(), method)
    assert_allclose(cost(0.0), 0.0, atol=1e-9)
    assert cost(small + more) >= cost(small) - 1e-9


@settings(max_examples=30)
@given(small=st.floats(0.0, 0.5), more=st.floats(0.01, 0.3))
def test_softer_braking_never_costs_less(small: float, more: float) -> None:
    """Softer braking and a softer throttle cost more the softer they are."""
    case = what_if()
    assert case.braking_softer(1.0 - small - more) >= case.braking_softer(1.0 - small) - 1e-9
    assert case.driving_softer(small + more) >= case.driving_softer(small) - 1e-9


def test_braking_earlier_costs_what_the_closed_form_says() -> None:
    """From 50 to 20 m/s at 10.5 m/s2, begun x early: x at 20 instead of 50 m/s, in closed form."""
    for metres in (5.0, 10.0, 20.0):
        assert_allclose(what_if().braking_earlier(metres), metres * (1.0 / 20.0 - 1.0 / 50.0), rtol=0.05)


def test_uphill_the_car_stops_sooner() -> None:
    """250 to 100 km/h at 12 m/s2: 177.8, 168.8, 161.2 m at -6, 0, +6 % (a cos + g sin, computed with two tools)."""
    car = replace(CAR, decel_mps2=np.array([12.0, 12.0]))
    got = [car.braking_m(250.0 / 3.6, 100.0 / 3.6, slope) for slope in (-0.06, 0.0, 0.06)]
    assert_allclose(got, (177.8, 168.8, 161.2), atol=0.3)
