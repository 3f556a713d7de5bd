"""The transient simulator against closed forms, its own energy and common sense."""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))

from circuit_sets import DEVELOPMENT
from transient_car import HEAVY, LIGHT, Car, G, side_force
from transient_drive import Laps, Orders, drive
from transient_faults import FAULTS
from transient_plan import FREE
from transient_road import HALF_WIDTH_M, Floats, Road, road_of
from transient_sim import TransientSim

RADIUS_M = 80.0
EVEN = replace(LIGHT, fading=0.0, engine_brake=0.0)


def ring(straight: bool, hill_m: float = 0.0) -> Road:
    """A circle to the left of RADIUS_M; or its nodes laid out straight."""
    at = np.linspace(0.0, 2.0 * np.pi, 500, endpoint=False)
    road = Road(RADIUS_M * np.cos(at), RADIUS_M * np.sin(at), hill_m)
    if straight:
        road.curvature[:] = 0.0
    return road


def orders(road: Road, want: Floats, dragged: float, from_m: float, length_m: float) -> Orders:
    """Lanes that want a speed each (lanes,) all the way; the pedal ``dragged`` from a place on."""
    shape = (len(want), round(length_m / road.step_m))
    none, one = np.zeros(shape), np.ones(shape)
    pedal = np.where(np.arange(shape[1]) * road.step_m >= from_m, dragged, 0.0) * one
    bend = np.full(shape, road.curvature[0])
    return Orders(0.0, want[:, None] * one, none, one, pedal, one, none, none, none, bend, np.ones(shape[0]))


def kinetic(car: Car, laps: Laps, rows: slice) -> float:
    """The change of kinetic energy [J] of the first lane between the ends of ``rows``."""
    v = laps.rows["speed"][rows, 0].astype(float)
    return 0.5 * car.mass * float(v[-1] ** 2 - v[0] ** 2)


def test_tyre_is_the_brush_model() -> None:
    """Cornering stiffness at small slip, all of the friction beyond the sliding slip, and the friction circle
    (Pacejka 2012, chapter 3, from memory: slope C, saturation at tan(slip) = 3 mu Fz / C)."""
    load, mu = np.array([4000.0]), np.array([1.2])
    small = side_force(np.array([1e-5]), load, mu, np.zeros(1), 15.0)
    np.testing.assert_allclose(small, -15.0 * 4000.0 * 1e-5, rtol=1e-3)
    for slip in (3.0 * 1.2 / 15.0, 1.0):
        np.testing.assert_allclose(side_force(np.array([slip]), load, mu, np.zeros(1), 15.0), -4800.0, rtol=1e-6)
    held = side_force(np.array([1.0]), load, mu, np.array([0.6 * 4800.0]), 15.0)
    np.testing.assert_allclose(held, -0.8 * 4800.0, rtol=1e-6)


def test_constant_radius() -> None:
    """Side acceleration is speed squared over the radius until the axle that lets go first, and no more than that."""
    road = ring(straight=False)
    want = np.array([15.0, 20.0, 25.0, 30.0, 45.0])
    laps = drive(EVEN, road, orders(road, want, 0.0, 1e9, 2000.0), 15.0, 700.0)
    last = slice(-200, None)
    speed, side, off = (laps.rows[k][last].mean(axis=0) for k in ("speed", "side", "e"))
    np.testing.assert_allclose(side[:4], speed[:4] ** 2 / (RADIUS_M - off[:4]), rtol=0.01)
    np.testing.assert_allclose(speed[:4], want[:4], atol=0.7)
    # the front axle lets go first: its share of the weight and of the downforce times its grip
    load = EVEN.mass * G * EVEN.rear_m / EVEN.base + EVEN.aero_front * EVEN.downforce * speed[4] ** 2
    limit = EVEN.grip_front * load * EVEN.base / (EVEN.mass * EVEN.rear_m)
    assert 0.85 * limit < side[4] < 1.02 * limit
    assert speed[4] < 44.0


def test_braking_distance() -> None:
    """Half the pedal on a level straight: m / 2c ln((F + c v0^2) / (F + c v1^2)) within 0.5 %."""
    road = ring(straight=True)
    laps = drive(EVEN, road, orders(road, np.array([FREE]), 0.5, 100.0, 1500.0), 55.0, 400.0)
    v, s = laps.rows["speed"][:, 0].astype(float), laps.rows["s"][:, 0].astype(float)
    force = 0.5 * EVEN.brake_force
    high, low = 50.0, 20.0
    top = int(np.argmax(v))
    way = np.interp(-low, -v[top:], s[top:]) - np.interp(-high, -v[top:], s[top:])
    closed = EVEN.mass / (2.0 * EVEN.drag) * np.log((force + EVEN.drag * high**2) / (force + EVEN.drag * low**2))
    assert way == pytest.approx(closed, rel=0.005)


@pytest.mark.parametrize("car", [LIGHT, HEAVY], ids=["light", "heavy"])
def test_energy_and_shift_gaps(car: Car) -> None:
    """Over a hill on full throttle: the drive's work is what speed, height and drag took, within 0.5 %; and each
    upward shift leaves the car without drive for its gap."""
    # low hills: on a lap this short the car would leave the ground over high ones
    road = ring(straight=True, hill_m=0.4)
    laps = drive(car, road, orders(road, np.array([FREE]), 0.0, 1e9, 2500.0), 25.0, 1500.0, every=1)
    rows = slice(200, None)
    v, force, s, cut = (laps.rows[k][rows, 0].astype(float) for k in ("speed", "drive", "s", "cut"))
    step = laps.t[1] - laps.t[0]
    slope = np.interp(s % road.length_m, np.append(road.s, road.length_m), np.append(road.slope, road.slope[0]))
    work, air, climb = (float(np.sum(p[:-1])) * step for p in (force * v, car.drag * v**3, car.mass * G * slope * v))
    spent = kinetic(car, laps, rows) + air + climb
    assert work == pytest.approx(spent, rel=0.005)
    gears = np.flatnonzero(np.diff(laps.rows["gear"][rows, 0]) > 0)
    assert len(gears) >= 3
    for k in gears:
        gap = cut[k + 1 : k + 1 + round(car.gap_s / step) + 3]
        assert gap.sum() * step == pytest.approx(car.gap_s, abs=2.5 * step)
    assert force[cut > 0.0].max() <= 0.0


@cache
def sim(seed: int, car: Car) -> TransientSim:
    return TransientSim(road_of(seed, DEVELOPMENT[seed]), car)


def test_half_the_step_gives_the_same_lap() -> None:
    """The lap time changes by less than 0.1 % when the step is halved."""
    one = sim(12, LIGHT)
    times = []
    for step in (0.005, 0.0025):
        laps = one.drive({}, 1, step_s=step).laps
        times.append(laps.when(0, one.road.length_m) - laps.when(0, 0.0))
    assert times[0] == pytest.approx(times[1], rel=1e-3)


@pytest.mark.parametrize("car", [LIGHT, HEAVY], ids=["light", "heavy"])
@pytest.mark.parametrize("seed", sorted(DEVELOPMENT))
def test_driver_stays_on_the_road(seed: int, car: Car) -> None:
    """Eight laps of human scatter on each development circuit: on the road, near the line, and lap times that vary
    by some tenths (0.1 to 0.7 s: common practice, no source)."""
    one = sim(seed, car)
    session = one.drive({}, 8, seed=3, scatter=1.0)
    times = [session.laps.when(k, one.road.length_m) - session.laps.when(k, 0.0) for k in range(8)]
    s, e = session.laps.rows["s"], session.laps.rows["e"]
    off = e - np.interp(s % one.road.length_m, one.road.s, one.road.line)
    assert np.abs(e[(s > 0.0) & (s < one.road.length_m)]).max() < HALF_WIDTH_M
    assert off.std() < 1.0
    assert 0.1 < np.std(times) < 0.7
    assert len(one.corners) >= 4


def test_every_fault_can_be_driven() -> None:
    """Each fault is a command of the driver: together they cost time, a lap without any costs none, seeds repeat."""
    one = sim(12, LIGHT)
    faults = {lap: [(lap % len(one.corners), f, high, False)] for lap, (f, (_, high)) in enumerate(FAULTS.items(), 1)}
    session = one.drive(faults, len(faults) + 2)
    channels, truth = one.sampled(session, 20.0)
    assert set(FAULTS) == {t.fault for t in truth}
    assert all(-0.3 < t.cost_s < 4.0 for t in truth)
    assert np.mean([t.cost_s > 0.03 for t in truth]) > 0.6
    assert {"t_s", "x_m", "y_m", "z_m", "speed_mps", "throttle", "brake", "gear"} == set(channels)
    assert all(np.isfinite(v).all() for v in channels.values())
    step = np.hypot(np.diff(channels["x_m"]), np.diff(channels["y_m"]))
    # speed, position and clock are of one drive
    assert step.sum() == pytest.approx(float(np.sum(channels["speed_mps"][:-1])) / 20.0, rel=0.002)
