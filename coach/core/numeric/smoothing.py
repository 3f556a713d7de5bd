"""Smoothing only as long as the noise requires, and motion carried on beyond the last sample."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from coach.core.columns import Floats


def time_for(way_m: float, speed_mps: float, slope_mps2: float) -> float:
    """Return the time [s] for a distance at constant acceleration; NaN if the car would stop before.

    way = v t + slope t^2 / 2, solved in the form that holds for a slope of 0.
    """
    root = speed_mps * speed_mps + 2.0 * slope_mps2 * way_m
    if root <= 0.0:
        return math.nan
    return 2.0 * way_m / (speed_mps + math.sqrt(root))


def last_slope(clock: Floats, values: Floats, last_s: float) -> float:
    """Return the slope per second of ``values`` over the last ``last_s`` seconds of ``clock`` [s], both shapes (n,)."""
    i = min(int(clock.searchsorted(clock[-1] - last_s)), len(clock) - 2)
    late = clock[i:] - clock[i:].mean()
    return float(late @ values[i:] / np.square(late).sum())


def fade(u: Floats) -> Floats:
    """Return 0 to 1 as ``u`` goes from 0 to 1, any shape, without a jump of the first or second slope."""
    out: Floats = u**3 * (10.0 - 15.0 * u + 6.0 * u**2)
    return out


def smooth(values: Floats, half_span: int, degree: int = 2) -> Floats:
    """Return local polynomial of ``degree`` over ``2 * half_span + 1`` samples (Savitzky and Golay 1964); shape kept.

    The first and last ``half_span`` samples come from the polynomial of the first and last window.
    """
    half = min(half_span, (len(values) - 1) // 2)
    if 2 * half + 1 <= degree + 1:
        return values
    fit = _projection(half, degree)
    window = 2 * half + 1
    out = np.empty(len(values))
    out[:half] = fit[:half] @ values[:window]
    out[half : len(values) - half] = np.correlate(values, fit[half], "valid")
    out[len(values) - half :] = fit[half + 1 :] @ values[-window:]
    return out


def slope(values: Floats, step: float) -> Floats:
    """Return the first derivative on an even grid, like ``numpy.gradient`` without its checks (a test compares)."""
    out = np.empty(len(values))
    out[1:-1] = (values[2:] - values[:-2]) / (2.0 * step)
    out[0], out[-1] = (values[1] - values[0]) / step, (values[-1] - values[-2]) / step
    return out


@lru_cache(maxsize=256)
def _projection(half: int, degree: int) -> Floats:
    """Return the matrix (window, window) that takes samples to the polynomial fitted to them, at each sample.

    scipy.signal has the same filter, but solves for both ends in each call (a third of a replay's time) and takes a
    second to import. A test compares them.
    """
    places = np.arange(-half, half + 1, dtype=np.float64) / max(half, 1)
    powers = np.vander(places, degree + 1)
    return np.asarray(powers @ np.linalg.pinv(powers))


def span_for(sigma: float, wanted: float, degree_gain: float = 1.5) -> int:
    """Return the half span [samples] that reduces white noise ``sigma`` to ``wanted``.

    A local quadratic over m samples leaves sigma * degree_gain / sqrt(m) in its middle (9/4 of the variance of a
    plain mean).
    """
    if sigma <= wanted:
        return 0
    return int(np.ceil((sigma * degree_gain / wanted) ** 2 / 2))
