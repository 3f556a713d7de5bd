"""The envelope's speed profile against closed forms, the published friction ellipse and an independent tool."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from bench_circuits import centre_line
from circuit_sets import LENGTHS
from trajectory_planning_helpers.calc_head_curv_num import calc_head_curv_num
from trajectory_planning_helpers.calc_vel_profile import calc_vel_profile

from coach.core.columns import Floats
from coach.core.measure.grip_use import grip_use
from coach.core.track.envelope import G_MPS2, Envelope, GripLimit
from coach.core.track.road import level_road
from coach.core.track.speed_profile import corner_limit, speed_profile, travel_time

PLAIN = Envelope(
    left=GripLimit(13.0), right=GripLimit(13.0), brake=GripLimit(11.0), power_wpkg=300.0, exponent=2.0
)  # fmt: skip
FORD = 32.0 * 0.3048
"""Beckman counts with g = 32 ft/s2."""


@pytest.mark.parametrize("radius_m", [15.0, 60.0, 250.0])
def test_constant_radius_without_downforce(radius_m: float) -> None:
    """v = sqrt(a R): closed form."""
    ring = level_road(np.full(400, -1.0 / radius_m), 2 * math.pi * radius_m / 400)
    expected = math.sqrt(13.0 * radius_m)
    assert speed_profile(ring, PLAIN) == pytest.approx(expected, rel=0.002)


@pytest.mark.parametrize("radius_m", [15.0, 60.0, 250.0])
def test_constant_radius_with_downforce(radius_m: float) -> None:
    """v^2 / R = a + c v^2, so v = sqrt(a R / (1 - c R)): closed form."""
    car = replace_lateral(GripLimit(13.0, 0.0012))
    ring = level_road(np.full(400, 1.0 / radius_m), 2 * math.pi * radius_m / 400)
    expected = math.sqrt(13.0 * radius_m / (1.0 - 0.0012 * radius_m))
    assert speed_profile(ring, car) == pytest.approx(expected, rel=0.002)


def test_downforce_is_not_carried_beyond_the_fastest_speed_it_was_seen_at() -> None:
    """Beyond ``fastest_mps`` the limit is constant: v = sqrt((a + c f^2) R)."""
    car = replace_lateral(GripLimit(13.0, 0.0012, 40.0))
    road = level_road(np.full(10, 1.0 / 300.0), 1.0)
    assert corner_limit(road, car) == pytest.approx(math.sqrt((13.0 + 0.0012 * 1600.0) * 300.0), rel=1e-9)


def replace_lateral(limit: GripLimit) -> Envelope:
    return Envelope(left=limit, right=limit, brake=PLAIN.brake, power_wpkg=300.0, exponent=2.0)


@pytest.mark.parametrize("drag", [0.0, 0.0005, 0.0015])
def test_straight_line_braking_with_drag(drag: float) -> None:
    """Distance from v0 to v1 at a + c v^2 is ln((a + c v0^2) / (a + c v1^2)) / (2 c): closed form."""
    car = Envelope(left=PLAIN.left, right=PLAIN.right, brake=PLAIN.brake, power_wpkg=1e9, drag_pm=drag, exponent=2.0)
    road = level_road(np.zeros(600), 1.0, closed=False)
    v = speed_profile(road, car, end_mps=20.0)
    v0, v1 = 70.0, 20.0
    expected = (v0**2 - v1**2) / 22.0 if not drag else math.log((11 + drag * v0**2) / (11 + drag * v1**2)) / (2 * drag)
    at = float(np.interp(-v0, -v, np.arange(600.0)))
    assert 599.0 - at == pytest.approx(expected, rel=0.002)


def test_braking_with_downforce_on_a_slope() -> None:
    """Grip b cos + c v^2 and gravity g sin add up: the same closed form with a = b cos + g sin."""
    car = Envelope(left=PLAIN.left, right=PLAIN.right, brake=GripLimit(10.0, 0.001), power_wpkg=1e9, exponent=2.0)
    angle = math.atan(0.06)
    flat = level_road(np.zeros(400), 1.0, closed=False)
    uphill = replace(flat, weight=np.full(400, math.cos(angle)), slope_mps2=np.full(400, G_MPS2 * math.sin(angle)))
    v = speed_profile(uphill, car, end_mps=15.0)
    a = 10.0 * math.cos(angle) + G_MPS2 * math.sin(angle)
    expected = math.log((a + 0.001 * 60**2) / (a + 0.001 * 15**2)) / 0.002
    assert 399.0 - float(np.interp(-60.0, -v, np.arange(400.0))) == pytest.approx(expected, rel=0.002)


def test_power_limited_acceleration() -> None:
    """Constant power: v^3 = v0^3 + 3 P s, closed form."""
    road = level_road(np.zeros(500), 1.0, closed=False)
    v = speed_profile(road, PLAIN, start_mps=20.0)
    assert v == pytest.approx((20.0**3 + 3.0 * 300.0 * np.arange(500.0)) ** (1 / 3), rel=0.002)


def test_power_against_drag_ends_at_top_speed() -> None:
    """P / v = c v^2 at the top: v = (P / c)^(1/3), closed form."""
    car = Envelope(left=PLAIN.left, right=PLAIN.right, brake=PLAIN.brake, power_wpkg=300.0, drag_pm=0.0008)
    v = speed_profile(level_road(np.zeros(9000), 1.0, closed=False), car, start_mps=30.0)
    assert v[-1] == pytest.approx((300.0 / 0.0008) ** (1 / 3), rel=0.002)


@pytest.mark.parametrize(("radius_ft", "mph"), [(100.0, 38.57), (200.0, 54.54), (155.0, 48.02)])
def test_corner_speed_at_one_g(radius_ft: float, mph: float) -> None:
    """Beckman 2000, The Physics of Racing, parts 17-18: v = sqrt(g r), g = 32 ft/s2, at 1 g."""
    car = replace_lateral(GripLimit(FORD))
    road = level_road(np.full(3, 1.0 / (radius_ft * 0.3048)), 1.0)
    assert float(corner_limit(road, car)[0]) / 0.44704 == pytest.approx(mph, abs=0.01)


@pytest.mark.parametrize(
    ("lateral", "longitudinal"), [(1.0, 0.0), (0.8, 0.6), (0.6, 0.8), (0.0, 1.0), (0.5, 0.75**0.5)]
)
def test_friction_circle(lateral: float, longitudinal: float) -> None:
    """Beckman 2000, part 7: braking and cornering g on the circle of 1 g use the whole budget (3-4-5 by hand)."""
    car = Envelope(left=GripLimit(FORD), right=GripLimit(FORD), brake=GripLimit(FORD), exponent=2.0)
    road = level_road(np.zeros(1), 1.0)
    v = np.array([20.0])
    used = grip_use(road, car, v, lateral * FORD / v**2, np.array([-longitudinal * FORD]))
    assert used[0] == pytest.approx(1.0, abs=1e-6)


def test_trail_braking_on_a_constant_radius_is_the_closed_form_of_the_circle() -> None:
    """On a radius R with one limit a: v dv/ds = -sqrt(a^2 - v^4/R^2); with sin(q) = v^2/(a R): q falls by 2 s/R.

    The circle of friction of Beckman 2000, part 7; integrated by hand.
    """
    radius, a = 80.0, 12.0
    car = Envelope(left=GripLimit(a), right=GripLimit(a), brake=GripLimit(a), power_wpkg=1e9, exponent=2.0)
    n = 4000
    road = level_road(np.full(n, 1.0 / radius), 0.01, closed=False)
    v = speed_profile(road, car, end_mps=10.0)
    s = 0.01 * (n - 1 - np.arange(n))
    q = math.asin(100.0 / (a * radius)) + 2.0 * s / radius
    expected = np.sqrt(a * radius * np.sin(np.minimum(q, math.pi / 2)))
    assert v == pytest.approx(expected, rel=0.002)


@pytest.mark.parametrize("exponent", [1.0, 2.0])
@pytest.mark.parametrize("seed", [1, 2, 7, 9, 12])
def test_agrees_with_trajectory_planning_helpers(seed: int, exponent: float) -> None:
    """trajectory-planning-helpers 0.79, calc_vel_profile: same envelope, same curvature, five circuits.

    Speed within 0.5 % at every node, lap time within 0.2 %. The tool does not brake over its own seam (its result
    there changes with the first node), so the lap begins at the slowest node, where nothing is braked for.
    """
    line = centre_line(seed, LENGTHS[seed])
    step = np.hypot(*(np.roll(line, -1, axis=0) - line).T)
    _, kappa = calc_head_curv_num(path=line, el_lengths=step, is_closed=True)
    slowest = int(np.argmax(np.abs(kappa)))
    kappa, step = np.roll(kappa, -slowest), np.roll(step, -slowest)
    fine = 2
    at = np.arange(fine * len(kappa)) / fine
    kappa = np.interp(at, np.arange(len(kappa) + 1), np.append(kappa, kappa[0]))
    step = np.repeat(step / fine, fine)
    drag, power = 0.0006, 280.0
    car = Envelope(
        left=GripLimit(12.5, 0.001), right=GripLimit(12.5, 0.001), brake=GripLimit(11.5, 0.0009),
        traction=GripLimit(11.5, 0.0009), power_wpkg=power, drag_pm=drag, exponent=exponent,
    )  # fmt: skip
    road = level_road(np.asarray(kappa), step)
    ours = speed_profile(road, car)
    table = np.linspace(0.0, 110.0, 2201)
    theirs = calc_vel_profile(
        ax_max_machines=np.column_stack([table, power / np.maximum(table, 2.0)]),
        kappa=kappa,
        el_lengths=step,
        closed=True,
        drag_coeff=drag * 1000.0,
        m_veh=1000.0,
        ggv=np.column_stack([table, 11.5 + 0.0009 * table**2, 12.5 + 0.001 * table**2]),
        v_max=109.0,
        dyn_model_exp=exponent,
    )
    assert ours == pytest.approx(theirs, rel=0.005)
    assert _lap(ours, step) == pytest.approx(_lap(theirs, step), rel=0.002)
    assert travel_time(road, ours)[-1] == pytest.approx(_lap(ours, step), rel=1e-9)


def _lap(v: Floats, step: Floats) -> float:
    return float(np.sum(2.0 * step / (v + np.roll(v, -1))))
