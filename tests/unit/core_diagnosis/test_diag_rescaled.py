"""The reference as it would be driven today, beside a simulator that solves the whole lap anew."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from coach.core.diagnose.rescaled import rescaled
from coach.core.measure.passes import CornerReference
from coach.core.track.car import car_of
from coach.core.track.reference import Reference
from coach.core.track.zones import zones
from coach.core.values import Corner
from coach.profile.store import load_plan
from feeds.practice import PracticeCar, Scatter, faultless, hollow_ridge, simulate
from feeds.practice.faultless import Faultless

OTHERS = {
    "wet": (replace(PracticeCar(), grip=0.87 * PracticeCar().grip), 0.87, 1.0),
    "weak": (replace(PracticeCar(), power_w=0.7 * PracticeCar().power_w), 1.0, 0.7),
    "quick": (replace(PracticeCar(), grip=1.06 * PracticeCar().grip, power_w=1.05 * PracticeCar().power_w), 1.06, 1.05),
}


@cache
def plan() -> tuple[Reference, tuple[Corner, ...]]:
    loaded = load_plan("hollow_ridge")
    return loaded.reference, loaded.corners


@cache
def lap_of(name: str) -> Faultless:
    return faultless(hollow_ridge(), OTHERS[name][0] if name else None)


@pytest.mark.parametrize("name", OTHERS)
def test_lap_time_is_that_of_the_whole_simulation(name: str) -> None:
    """feeds.practice solves line, grip ellipse, downforce and gears; the rescaled reference knows two factors."""
    reference, _ = plan()
    _, grip, power = OTHERS[name]
    changed = rescaled(reference, car_of(reference), grip, power)
    wanted = lap_of(name).lap_time_s - lap_of("").lap_time_s
    assert changed.lap_time_s - reference.lap_time_s == pytest.approx(wanted, rel=0.15)


@pytest.mark.parametrize("name", OTHERS)
def test_brake_points_and_slowest_speeds_are_those_of_the_whole_simulation(name: str) -> None:
    reference, corners = plan()
    changed = rescaled(reference, car_of(reference), *OTHERS[name][1:])
    run = simulate(lap_of(name), 2, rate_hz=20.0, scatter=Scatter(0.0, 0.0, 0.0))
    second = run.channels["lap"] == 1
    place, speed = run.channels["lap_distance_m"][second], run.channels["speed_mps"][second]
    place = place * reference.length_m / lap_of("").circuit.length_m
    off = []
    for zone in zones(corners, reference.length_m, reference.closed):
        measures = CornerReference(changed, zone).measures
        if measures["brake_start_m"] != measures["brake_start_m"]:
            continue
        near = (place > zone.turn_in_m - 25.0) & (place < zone.end_m)
        off.append(measures["min_speed_mps"] - float(speed[near].min()))
    assert len(off) >= 4
    assert abs(float(np.median(off))) < 0.5
    assert max(map(abs, off)) < 1.5


def test_the_same_car_on_the_same_road_drives_the_same_lap() -> None:
    reference, _ = plan()
    same = rescaled(reference, car_of(reference), 1.0, 1.0)
    assert same.lap_time_s == pytest.approx(reference.lap_time_s, rel=0.003)
    assert float(np.abs(same.speed_mps - reference.speed_mps).max()) < 1.5


@pytest.mark.parametrize("grip", [0.7, 0.85, 1.1])
def test_the_slowest_speed_goes_with_the_root_of_grip(grip: float) -> None:
    """v^2 = mu g r for a car at its limit on a flat bend (any text on circular motion; from memory)."""
    reference, _ = plan()
    changed = rescaled(reference, car_of(reference), grip, 1.0)
    slow = float(reference.speed_mps.min())
    at = int(reference.speed_mps.argmin())
    assert float(changed.speed_mps[at]) == pytest.approx(slow * grip**0.5, rel=0.005)


def test_less_grip_is_nowhere_faster_and_less_power_nowhere_either() -> None:
    reference, _ = plan()
    car = car_of(reference)
    for less in ((0.9, 1.0), (1.0, 0.8), (0.9, 0.8)):
        assert float((rescaled(reference, car, *less).speed_mps - reference.speed_mps).max()) < 0.3
