from __future__ import annotations

import numpy as np
import pytest

from feeds.frame import Frame
from feeds.practice import SAME, FaultPlan, Noise, Scatter, faultless, hollow_ridge, simulate
from feeds.practice.faultless import Faultless


@pytest.fixture(scope="module")
def base() -> Faultless:
    return faultless(hollow_ridge())


@pytest.mark.parametrize("rate_hz", [20.0, 60.0, 360.0])
def test_frames_agree_with_themselves(base: Faultless, rate_hz: float) -> None:
    """Speed is the rate of change of place, at every rate, over every finish line and every stretch."""
    c = simulate(base, 2, rate_hz=rate_hz, seed=5).channels
    gone = np.sqrt(sum(np.diff(c[n]) ** 2 for n in ("x_m", "y_m", "z_m")))
    mean = 0.5 * (c["speed_mps"][1:] + c["speed_mps"][:-1])
    assert np.full(len(gone), 1 / rate_hz) == pytest.approx(np.diff(c["t_s"]))
    # a chord is shorter than its arc, and the speed bends within a frame
    assert np.abs(gone * rate_hz - mean).max() < 0.02 + 12.0 / rate_hz
    assert np.abs(np.diff(c["speed_mps"])).max() * rate_hz < 25.0


def test_laps_are_one_run(base: Faultless) -> None:
    """Lap distance falls only at the line, where the lap count rises by one, beginning with the out-lap 0."""
    c = simulate(base, 3, seed=2).channels
    seams = np.flatnonzero(np.diff(c["lap"]) != 0)
    assert 0 == c["lap"][0]
    assert [1.0] * 4 == np.diff(c["lap"])[seams].tolist()
    falls = np.flatnonzero(np.diff(c["lap_distance_m"]) < 0)
    assert seams.tolist() == falls.tolist()
    assert c["lap_distance_m"].max() < base.circuit.length_m


def test_lap_times_are_those_of_the_frames(base: Faultless) -> None:
    """The exact lap times agree with crossings interpolated between frames at 360 Hz."""
    run = simulate(base, 3, rate_hz=360.0, seed=4)
    c = run.channels
    whole = c["lap"] * base.circuit.length_m + c["lap_distance_m"]
    lines = np.arange(1, 5) * base.circuit.length_m
    assert np.diff(np.interp(lines, whole, c["t_s"])) == pytest.approx(run.lap_times_s, abs=2e-5)


def test_without_scatter_or_fault_every_lap_is_the_same(base: Faultless) -> None:
    """To the microsecond, and equal to the faultless lap up to what the foot needs to its pedal."""
    times = simulate(base, 4, scatter=SAME).lap_times_s
    assert np.ptp(times) < 1e-6
    assert base.lap_time_s == pytest.approx(float(times[0]), abs=0.005)


def test_the_same_seed_is_the_same_run(base: Faultless) -> None:
    """Bit for bit; another seed is another run."""
    noise = Noise(position_m=0.2, speed_mps=0.1, loss=0.02, duplicates=0.02, reorder=3)
    one, two, three = (list(simulate(base, 2, seed=s, noise=noise).frames()) for s in (7, 7, 8))
    assert one == two
    assert one != three


def test_a_run_of_more_laps_begins_like_a_shorter_one(base: Faultless) -> None:
    """Later laps do not change earlier ones."""
    short, long = simulate(base, 2, seed=9), simulate(base, 3, seed=9)
    n = len(short.channels["t_s"])
    for name, values in short.channels.items():
        assert np.array_equal(values, long.channels[name][:n]), name


def test_scatter_is_as_large_as_asked(base: Faultless) -> None:
    """Corner speeds vary by about the standard deviation asked for, and so do brake points."""
    laps = 30
    run = simulate(base, laps, scatter=Scatter(2.0, 0.3, 0.15), seed=1)
    c = run.channels
    corner = base.corners[base.corner("Signal")]
    lowest, brakes = [], []
    for lap in range(1, laps + 1):
        here = (c["lap"] == lap) & (np.abs(c["lap_distance_m"] - corner.slowest_m) < 80.0)
        lowest.append(c["speed_mps"][here].min())
        way = (c["lap"] == lap) & (np.abs(c["lap_distance_m"] - corner.brake_m) < 40.0)
        brakes.append(np.interp(0.5, c["brake"][way], c["lap_distance_m"][way]))
    assert 0.15 < np.std(lowest) < 0.5
    assert 0.9 < np.std(brakes) < 3.2


def test_pedals_are_a_drivers(base: Faultless) -> None:
    """Full throttle on straights, the brake at its peak within 0.3 s where it is heavy, never both at once."""
    c = simulate(base, 1, rate_hz=100.0, scatter=SAME).channels
    assert np.mean(c["throttle"] > 0.99) > 0.35
    assert np.mean((c["throttle"] > 0.05) & (c["brake"] > 0.05)) == 0.0
    quarry = base.corners[base.corner("Quarry")]
    near = (c["lap"] == 1) & (np.abs(c["lap_distance_m"] - quarry.brake_m) < 60.0)
    t, brake = c["t_s"][near], c["brake"][near]
    rise = t[np.argmax(brake > 0.9)] - t[np.argmax(brake > 0.02)]
    assert 0.05 < rise < 0.3
    last = (c["lap"] == 1) & (c["lap_distance_m"] > quarry.turn_in_m + 5) & (c["lap_distance_m"] < quarry.apex_m)
    assert np.all(np.diff(c["brake"][last]) < 0.02)


def test_acceleration_stays_within_the_tyres(base: Faultless) -> None:
    """Cornering asks no more than grip and downforce allow (the path ripples by 10 % within metres)."""
    c = simulate(base, 1, rate_hz=100.0, scatter=SAME).channels
    d, dd = ([np.gradient(np.gradient(c[n]) if k else c[n]) for n in ("x_m", "y_m")] for k in (0, 1))
    curvature = (d[0] * dd[1] - d[1] * dd[0]) / np.hypot(*d) ** 3
    v = c["speed_mps"]
    car = base.car
    limit = car.grip * (9.81 + (car.downforce_pm + 0.0006) * v**2)
    assert np.all(np.abs(v * v * curvature)[5:-5] < 1.10 * limit[5:-5])


def test_frames_carry_the_channels(base: Faultless) -> None:
    """Counts are whole numbers, flags are flags, and the car is on the road."""
    run = simulate(base, 1, scatter=SAME)
    frames = list(run.frames())
    assert len(run.channels["t_s"]) == len(frames)
    frame = frames[1000]
    assert isinstance(frame, Frame)
    assert isinstance(frame.lap, int)
    assert isinstance(frame.gear, int)
    assert frame.in_pit is False
    assert 1000 == frame.seq
    assert 0 == max(f.wheels_off or 0 for f in frames)


def test_noise_loses_doubles_and_reorders_as_asked(base: Faultless) -> None:
    """Shares and standard deviations are those asked for; a frame is late by no more than the window."""
    clean = simulate(base, 1, seed=3)
    noise = Noise(position_m=0.5, speed_mps=0.2, loss=0.1, duplicates=0.05, reorder=4)
    frames = list(simulate(base, 1, seed=3, noise=noise).frames())
    seq = np.array([f.seq for f in frames])
    n = len(clean.channels["t_s"])
    assert 0.9 == pytest.approx(len(np.unique(seq)) / n, abs=0.02)
    assert 0.05 == pytest.approx(1 - len(np.unique(seq)) / len(seq), abs=0.02)
    assert 0 < np.max(np.maximum.accumulate(seq) - seq) <= 8
    error = np.array([f.x_m for f in frames]) - clean.channels["x_m"][seq]
    assert 0.5 == pytest.approx(float(np.std(error)), rel=0.1)


def test_unworkable_numbers_are_refused(base: Faultless) -> None:
    """No laps, no rate, no such corner, no such fault: one clear line each."""
    with pytest.raises(ValueError, match=r"laps: .*found 0"):
        simulate(base, 0)
    with pytest.raises(ValueError, match=r"rate: .*found 0"):
        simulate(base, 1, rate_hz=0.0)
    with pytest.raises(ValueError, match="found 'Nowhere'"):
        simulate(base, 1, faults=FaultPlan.of(("Nowhere", "brake_early", 5.0)))
    with pytest.raises(ValueError, match="found 'asleep'"):
        FaultPlan.of(("Quarry", "asleep", 5.0))
    with pytest.raises(ValueError, match="expected a finite number"):
        FaultPlan.of(("Quarry", "brake_early", float("nan")))
