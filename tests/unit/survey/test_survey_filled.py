"""Samples filled in between the measured ones are recognised, measured ones are left alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from coach.core.columns import Floats
from coach.core.numeric.filled import session_note, thinning, without_repeats
from coach.core.numeric.noise import PATH_MOTION, SPEED_MOTION, measured_stride


def path(rate: float, noise: float) -> tuple[Floats, Floats]:
    t = np.arange(0.0, 300.0, 1.0 / rate)
    y = 200.0 * np.sin(0.15 * t) + 3.0 * np.sin(1.3 * t)
    return t, y + np.random.default_rng(3).normal(0.0, noise, len(t)) if noise else y


@pytest.mark.parametrize("noise", [0.0, 0.002, 0.3])
@pytest.mark.parametrize("rate", [5.0, 10.0, 25.0, 60.0, 100.0])
def test_measured_samples_are_left_alone(rate: float, noise: float) -> None:
    t, y = path(rate, noise)
    assert measured_stride(y, float(t[1] - t[0]), PATH_MOTION)[0] == 1


@pytest.mark.parametrize(("true", "rate"), [(5.0, 25.0), (10.0, 25.0), (10.0, 60.0), (10.0, 100.0), (20.0, 60.0)])
@pytest.mark.parametrize("noise", [0.1, 0.3, 1.0])
@pytest.mark.parametrize("curve", [False, True])
def test_filled_samples_are_thinned_to_about_the_measured_rate(
    true: float, rate: float, noise: float, curve: bool
) -> None:
    """Lines and cubic splines: a rate within a third of the true one, and most of the noise that was put in."""
    t, y = path(true, noise)
    fine = np.arange(0.0, t[-1], 1.0 / rate)
    filled = CubicSpline(t, y)(fine) if curve else np.interp(fine, t, y)
    stride, level = measured_stride(filled, 1.0 / rate, PATH_MOTION)
    assert true / 1.5 <= rate / stride <= true * 1.5
    assert level > 0.6 * noise


RATES = [(10.0, 25.0), (5.0, 25.0), (8.0, 25.0), (12.0, 25.0), (10.0, 60.0), (25.0, 60.0), (18.0, 50.0), (10.0, 100.0)]


def test_no_rate_below_five_hertz_is_looked_for() -> None:
    t, y = path(4.0, 1.0)
    clock = np.arange(0.0, t[-1], 0.05)
    assert measured_stride(np.interp(clock, t, y), 0.05, PATH_MOTION)[0] == 4


@pytest.mark.parametrize(("true", "rate"), RATES)
@pytest.mark.parametrize("noise", [0.1, 0.3])
@pytest.mark.parametrize("how", ["lines", "spline", "held"])
def test_the_true_rate_is_found_where_no_stride_meets_it(true: float, rate: float, noise: float, how: str) -> None:
    """Within 2 %, by the line in the spectrum of filled samples and the mean step of held ones."""
    t, y = path(true, noise)
    clock = np.arange(0.0, t[-1], 1.0 / rate)
    xy = np.column_stack([filled(clock, t, column, how) for column in (y, path(true, noise)[1][::-1])])
    new = np.any(np.diff(xy, axis=0, prepend=np.nan) != 0, axis=1)
    assert thinning(clock[new], xy[new])[1] == pytest.approx(true, rel=0.02)
    note = session_note(clock, xy[:, 0], xy[:, 1])
    assert note.startswith(f"positions come {rate:.0f} times a second but were measured about {true:.0f} times")


@pytest.mark.parametrize(("true", "rate"), [(20.0, 25.0), (60.0, 60.0), (16.5, 25.0)])
def test_nothing_is_said_of_a_few_held_samples(true: float, rate: float) -> None:
    """Below a half more samples than were measured: a feed that now and then sends one twice."""
    t, y = path(true, 0.3)
    clock = np.arange(0.0, t[-1], 1.0 / rate)
    xy = [filled(clock, t, column, "held") for column in (y, y[::-1])]
    assert (session_note(clock, *xy) == "") is (rate < 1.51 * true)


def filled(clock: Floats, t: Floats, y: Floats, how: str) -> Floats:
    if how == "spline":
        return np.asarray(CubicSpline(t, y)(clock))
    return np.interp(clock, t, y) if how == "lines" else y[np.searchsorted(t, clock + 1e-9, side="right") - 1]


@pytest.mark.parametrize("seconds", [8.0, 20.0])
@pytest.mark.parametrize(("true", "rate"), [(25.0, 25.0), (60.0, 60.0), (16.0, 25.0), (10.0, 25.0)])
def test_a_pass_of_some_seconds_tells_measured_from_filled(seconds: float, true: float, rate: float) -> None:
    """Of 100 passes of noise at most two are taken for the other kind."""
    rng = np.random.default_rng(8)
    count = 0
    for _ in range(100):
        t = np.arange(-1.0, seconds + 1.0, 1.0 / true)
        clock = np.arange(0.0, seconds, 1.0 / rate)
        y = rng.normal(0.0, 0.3, len(t))
        y = y[: len(clock)] if true == rate else np.interp(clock, t + rng.uniform(0.0, 0.1), y)
        count += measured_stride(y, 1.0 / rate, PATH_MOTION)[0] > 1
    assert count <= 2 if true == rate else count >= 98


@pytest.mark.parametrize(("motion", "swing", "noise"), [(PATH_MOTION, 0.27, 0.065), (SPEED_MOTION, 1.7, 0.4)])
def test_how_much_of_the_fifth_differences_is_motion(motion: float, swing: float, noise: float) -> None:
    """A swing at 6.1 rad/s near the bound is motion; noise just above it at 5 Hz, filled up to 25 Hz, is not."""
    t = np.arange(0.0, 300.0, 0.2)
    clean = swing * np.sin(6.1 * np.arange(0.0, 300.0, 0.02))
    assert measured_stride(clean, 0.02, motion)[0] == 1
    y = np.random.default_rng(5).normal(0.0, noise, len(t))
    fine = np.arange(0.0, t[-1], 0.04)
    assert measured_stride(np.interp(fine, t, y), 0.04, motion)[0] >= 4


def test_a_held_speed_becomes_lines_and_a_steady_one_stays() -> None:
    """Steps that come with repeated positions go; a speed that stands still while positions move is the car's own."""
    clock = np.arange(600) / 60.0
    held = np.floor(clock * 10.0 + 1e-9)
    repeated = np.diff(held, prepend=-1.0) == 0
    lines = without_repeats(clock, held, repeated)
    assert np.allclose(lines[:-6], clock[:-6] * 10.0, atol=1e-6)
    assert np.array_equal(without_repeats(clock, held, np.zeros(600, dtype=bool)), held)
    standing = np.concatenate([np.linspace(9.0, 0.0, 60), np.zeros(300), np.linspace(0.1, 9.0, 240)])
    assert np.array_equal(without_repeats(clock, standing, np.diff(standing, prepend=1.0) == 0), standing)
    brief = np.where((clock > 3.0) & (clock < 3.3), 5.0, clock * 10.0)
    assert np.array_equal(without_repeats(clock, brief, np.diff(brief, prepend=1.0) == 0), brief)
    slow = np.floor(clock * 5.0 + 1e-9)
    lines = without_repeats(clock, slow, np.diff(slow, prepend=-1.0) == 0)
    assert np.allclose(lines[:-12], clock[:-12] * 5.0, atol=1e-6)
