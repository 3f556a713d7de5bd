"""Noise estimation and smoothing: the noise law holds, and corners are not cut."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coach.core.numeric.noise import LONG, white_noise
from coach.survey.smooth import HIGHEST_CUTOFF, cutoff_for, smooth


@pytest.mark.parametrize("sigma", [0.01, 0.3])
@pytest.mark.parametrize("rate", [10.0, 60.0, 360.0])
def test_noise_level_finds_the_noise_put_in(sigma: float, rate: float) -> None:
    """White noise on a car's motion (a slow sine of 100 m) is found within 10 %, whatever the rate."""
    t = np.arange(0, 100, 1 / rate) if rate > 10 else np.arange(0, 600, 1 / rate)
    y = 100 * np.sin(0.3 * t) + np.random.default_rng(1).normal(0, sigma, len(t))
    assert white_noise(y, LONG) == pytest.approx(sigma, rel=0.1)


@pytest.mark.parametrize("derivative", [0, 1, 2])
@pytest.mark.parametrize("rate", [20.0, 60.0, 100.0])
def test_the_noise_law_agrees_with_simulation(derivative: int, rate: float) -> None:
    """The closed form of what smoothing leaves of white noise agrees with white noise smoothed, within 8 %."""
    wanted, noise = (0.05, 0.5, 0.5)[derivative], 0.3
    cutoff = cutoff_for(noise, 1 / rate, wanted, derivative)
    assert cutoff < HIGHEST_CUTOFF
    t = np.arange(0, 2000, 1 / rate)
    z = smooth(t, np.random.default_rng(2).normal(0, noise, len(t)), cutoff)
    for _ in range(derivative):
        z = np.gradient(z, t)
    assert float(np.std(z[200:-200])) == pytest.approx(wanted, rel=0.08)


def test_the_published_span_and_ours_are_of_one_size() -> None:
    """Three points L apart have sigma_k = sqrt(6) sigma / L^2 (published, simulated here), so 0.3 m asks for 11 m.

    With every sample of 60 Hz at work (35 m/s) the smoother reaches the same curvature noise over no longer a span.
    """
    rng = np.random.default_rng(3)
    p = rng.normal(0, 0.3, (200_000, 3))
    span = 11.0
    k = (p[:, 0] - 2 * p[:, 1] + p[:, 2]) / span**2
    assert float(k.std()) == pytest.approx(math.sqrt(6) * 0.3 / span**2, rel=0.01)
    cutoff = cutoff_for(0.3, 1 / 60, float(k.std()) * 35.0**2, 2)
    assert 35.0 / cutoff < span


@pytest.mark.parametrize("radius", [12.0, 40.0, 200.0])
@pytest.mark.parametrize("noise", [0.0, 0.3])
def test_a_circle_keeps_its_radius(radius: float, noise: float) -> None:
    """A circle driven at 1.4 g is not drawn inward by more than 1 % of its radius with noise, 1 mm without."""
    v = math.sqrt(14.0 * radius)
    t = np.arange(0, 60, 1 / 60)
    phi = v * t / radius
    xy = radius * np.column_stack([np.cos(phi), np.sin(phi)])
    noisy = xy + np.random.default_rng(4).normal(0, noise, xy.shape) if noise else xy
    z = smooth(t, noisy, cutoff_for(noise, 1 / 60, 0.5, 2))[300:-300]
    bias = float(np.hypot(z[:, 0], z[:, 1]).mean()) - radius
    assert abs(bias) < (0.01 * radius + 0.01 if noise else 0.001)


def test_uneven_times_and_high_rates() -> None:
    """Uneven times and a rate of 1000 Hz (bundled) follow the same curve to within a few millimetres."""
    rng = np.random.default_rng(5)
    t = np.sort(rng.uniform(0, 30, 1800))
    t = t[np.concatenate([[True], np.diff(t) > 1e-3])]
    y = 20 * np.sin(0.8 * t)
    assert float(np.abs(smooth(t, y, 8.0) - y)[60:-60].max()) < 0.01
    t = np.arange(0, 30, 0.001)
    y = 20 * np.sin(0.8 * t)
    assert float(np.abs(smooth(t, y, 8.0) - y)[1000:-1000].max()) < 0.01
