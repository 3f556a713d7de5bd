"""Extrapolates beyond a record's end by speed and acceleration."""

from __future__ import annotations

import math

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
