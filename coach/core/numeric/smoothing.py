"""How noisy a channel is, and smoothing that is as long as the noise asks for and no longer."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.numeric.median import middle

_MAD_TO_SIGMA: Final = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution."""


def white_noise(values: Floats) -> float:
    """Return the standard deviation of the white noise on ``values`` (shape (n,)), from third differences.

    A smooth signal has next to no third difference while white noise of deviation s has one of sqrt(20) s. The
    median makes it blind to the few samples at which the signal itself has a corner.
    """
    if len(values) < 8:
        return 0.0
    first = values[1:] - values[:-1]
    second = first[1:] - first[:-1]
    return _MAD_TO_SIGMA * middle(np.abs(second[1:] - second[:-1])) / math.sqrt(20.0)


def smooth(values: Floats, half_span: int, degree: int = 2) -> Floats:
    """Return local polynomial of ``degree`` over ``2 * half_span + 1`` samples (Savitzky and Golay 1964); shape kept.

    The first and last ``half_span`` samples are those of the polynomial through the first and last window.
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
    """Return first derivative on an even grid, as ``numpy.gradient`` has it but without its checks (a test
    compares).
    """
    out = np.empty(len(values))
    out[1:-1] = (values[2:] - values[:-2]) / (2.0 * step)
    out[0], out[-1] = (values[1] - values[0]) / step, (values[-1] - values[-2]) / step
    return out


@lru_cache(maxsize=256)
def _projection(half: int, degree: int) -> Floats:
    """Return the matrix (window, window) that takes samples to the polynomial fitted to them, at each sample.

    scipy.signal has the same filter; it solves for both ends anew at each call (a third of a replay's time) and takes
    a second to import. A test holds this to it.
    """
    places = np.arange(-half, half + 1, dtype=np.float64) / max(half, 1)
    powers = np.vander(places, degree + 1)
    return np.asarray(powers @ np.linalg.pinv(powers))


def span_for(sigma: float, wanted: float, degree_gain: float = 1.5) -> int:
    """Return half span [samples] after which white noise ``sigma`` is down to ``wanted``.

    A local quadratic over m samples leaves sigma * degree_gain / sqrt(m) in its middle (9/4 of the variance of a
    plain mean).
    """
    if sigma <= wanted:
        return 0
    return int(np.ceil((sigma * degree_gain / wanted) ** 2 / 2))
