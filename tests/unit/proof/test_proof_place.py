"""Time and place against the simulator's own, in short: the figures come from tests/tools/place_bench.py."""

from __future__ import annotations

import numpy as np
import pytest
from place_bench import corner_order, delta_errors, lap_time_errors

from coach.profile.store import Plan, load_plan
from feeds.practice import Faultless, Noise, faultless, hollow_ridge, simulate


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load_plan("hollow_ridge")


@pytest.fixture(scope="module")
def base() -> Faultless:
    return faultless(hollow_ridge())


def test_lap_times_are_the_simulators(plan: Plan, base: Faultless) -> None:
    """From 60 Hz frames each lap time is within 1 ms of the exact one."""
    errors = lap_time_errors(plan, simulate(base, 2, seed=7))
    assert 2 == len(errors)
    assert errors == pytest.approx(np.zeros(2), abs=0.001)


def test_delta_is_true_everywhere(plan: Plan, base: Faultless) -> None:
    """The live delta is within 3 ms of the true one at every frame of a lap, the place taken from shapely."""
    found = np.array(list(delta_errors(plan, simulate(base, 1, seed=8))))
    assert 5000 < len(found)
    assert found[:, 1] == pytest.approx(np.zeros(len(found)), abs=0.003)


def test_corners_come_in_order_on_a_bad_link(plan: Plan, base: Faultless) -> None:
    """With 0.3 m position noise and 5 % loss every corner of every lap is entered, in order."""
    noisy = simulate(base, 4, seed=9, noise=Noise(position_m=0.3, speed_mps=0.1, loss=0.05))
    assert (44, 0, 0) == corner_order(plan, noisy)
