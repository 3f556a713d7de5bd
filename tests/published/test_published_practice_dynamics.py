from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from trajectory_planning_helpers.calc_vel_profile import calc_vel_profile

from feeds.frame import Floats
from feeds.practice import PracticeCar, faultless, hollow_ridge
from feeds.practice.speed_profile import Demand, Path, brake_limit, corner_limit, lap_profile, travel_time

G = 9.80665
BARE = replace(
    PracticeCar(), downforce_pm=0.0, drag_pm=0.0, rolling_mps2=0.0, engine_brake_mps2=0.0, brake_full_mps2=99.0
)


def _straight(n: int, grade: float, step_m: float = 0.25) -> Path:
    zero = np.zeros(n)
    return Path(np.full(n, step_m), zero, np.full(n, grade), zero, np.ones(n))


def _braking_distance(car: PracticeCar, grade: float, from_mps: float, to_mps: float) -> float:
    """Distance along the road over which the backward pass slows a car."""
    path = _straight(2000, grade)
    limit = brake_limit(path, car, Demand.usual(len(path)), to_mps)
    back = limit[::-1]
    return float(np.interp(from_mps**2, back**2, np.arange(len(back)) * 0.25))


@pytest.mark.parametrize(("grade", "metres"), [(-0.06, 177.8), (0.0, 168.8), (0.06, 161.2)])
def test_braking_distance_at_race_deceleration_follows_the_grade(grade: float, metres: float) -> None:
    """250 to 100 km/h at 12 m/s2 of tyre takes a cos + g sin: computed with two tools."""
    car = replace(BARE, grip=12.0 / G)
    assert metres == pytest.approx(_braking_distance(car, grade, 250 / 3.6, 100 / 3.6), abs=0.1)


def _sight_distance(kmh: int, percent: int) -> float:
    braking = _braking_distance(replace(BARE, grip=3.4 / G), percent / 100, kmh / 3.6, 0.5)
    return 0.278 * kmh * 2.5 + braking


@pytest.mark.parametrize(
    ("kmh", "percent", "metres"),
    [
        (100, -3, 194), (100, -6, 207), (100, -9, 223), (100, 3, 174), (100, 6, 167), (100, 9, 160),
        (80, -3, 136), (80, -6, 144), (80, -9, 154), (80, 3, 123), (80, 6, 118), (80, 9, 114),
    ],
)  # fmt: skip
def test_stopping_sight_distance_on_grades(kmh: int, percent: int, metres: int) -> None:
    """AASHTO Green Book 2011, 2.5 s and 3.4 m/s2 (rows from memory), whole metres."""
    assert metres == pytest.approx(_sight_distance(kmh, percent), abs=1.2)


def test_stopping_sight_distance_on_the_level() -> None:
    """AASHTO Green Book 2011: 185 m at 100 km/h (from memory); on the level the book rounds up to 5 m."""
    assert 185 == 5 * math.ceil(_sight_distance(100, 0) / 5)


@pytest.mark.parametrize(("mu", "kmh"), [(1.0, 79.73), (1.5, 97.65)])
def test_corner_speed_is_root_mu_g_r(mu: float, kmh: float) -> None:
    """sqrt(mu g R) at R = 50 m (closed form, with g = 9.81)."""
    path = replace(_straight(10, 0.0), curvature_pm=np.full(10, 1 / 50.0))
    car = replace(BARE, grip=mu * 9.81 / G)
    limit = corner_limit(path, car)
    assert kmh == pytest.approx(3.6 * float(limit[5]), abs=0.01)


def test_lap_time_agrees_with_an_independent_speed_profile() -> None:
    """Within 1 % of trajectory-planning-helpers 0.79 (calc_vel_profile) on the same line and the same car."""
    car = replace(PracticeCar(), sag=0.0, limiter=9.9, drive_share=1.0, rolling_mps2=0.0, brake_full_mps2=99.0,
                  engine_brake_mps2=0.0)  # fmt: skip
    line = faultless(hollow_ridge()).path
    n = len(line)
    flat = Path(line.step_m, line.curvature_pm, np.zeros(n), np.zeros(n), np.ones(n))
    driven, _ = lap_profile(flat, car)
    ours = _lap_time(flat.step_m, driven.speed_mps)
    v = np.linspace(0.0, 100.0, 401)
    tyre = car.grip * (G + car.downforce_pm * v**2)
    theirs_v = calc_vel_profile(
        ax_max_machines=np.column_stack([v, car.power_w / car.mass_kg / np.maximum(v, 5.0)]),
        kappa=flat.curvature_pm,
        el_lengths=flat.step_m,
        closed=True,
        drag_coeff=car.drag_pm * car.mass_kg,
        m_veh=car.mass_kg,
        ggv=np.column_stack([v, tyre, tyre]),
        v_max=99.0,
        dyn_model_exp=2.0,
    )
    assert _lap_time(flat.step_m, theirs_v) == pytest.approx(ours, rel=0.01)
    assert math.isfinite(ours)


def _lap_time(step_m: Floats, v: Floats) -> float:
    return float(travel_time(np.append(step_m, 1.0), np.append(v, v[0]))[-1])
