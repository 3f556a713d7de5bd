"""Full throttle and traction: engine power against drag, and the driven wheels' limit."""

from __future__ import annotations

from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.track.envelope import Envelope, GripLimit
from coach.survey.envelope.braking import free_share
from coach.survey.envelope.quantile import fewest, quantile_fit
from coach.survey.envelope.samples import Samples

PEDAL_SHARE: Final = 0.5
"""Quantile at full throttle: the median, robust to slipstream and gear changes."""
UPPER: Final = 0.9
STRAIGHT_MPS2: Final = 3.0
"""Largest lateral acceleration on a straight (common practice, no source)."""
ENGINE: Final = 0.95
"""Below this share of engine power something else is the limit."""


def fit_drive(samples: Samples, weights: Floats) -> tuple[float | None, float]:
    """Return power [W/kg] and drag [1/m] of a = P / v - c v^2 on the level; (None, 0) without full throttle on a
    straight.
    """
    v, a = samples.speed_mps, samples.accel_mps2
    straight = np.abs(samples.curvature_pm) * v * v < STRAIGHT_MPS2
    share = PEDAL_SHARE
    if samples.full is not None:
        where = straight & samples.full
    else:
        where, share = straight & (a > 0.0), UPPER
    if int(where.sum()) < 2 * fewest(2, share):
        return None, 0.0
    # in the lower half of speeds the tyres may be the limit
    where &= v > np.median(v[where])
    row, column = np.nonzero(where)
    every = max(1, len(row) // 600)
    at = row[::every], column[::every]
    power, drag = _power(v[at], a[at], share, weights[at[0]])
    return (power, drag) if power > 0.0 else (None, 0.0)


def _power(v: Floats, a: Floats, share: float, weights: Floats) -> tuple[float, float]:
    """Return P and c >= 0 of a v = P - c v^3: the drag's column is reversed so that no coefficient is negative."""
    top = float(v.max()) ** 3
    # P - c v^3 = (P - c top) + c (top - v^3); at the fastest speed shown the car still drives
    rest, drag = quantile_fit(np.column_stack([np.ones_like(v), top - v**3]), a * v, share, weights).tolist()
    return float(rest + drag * top), float(drag)


def fit_traction(samples: Samples, made: Envelope, side_use: Floats, weights: Floats) -> GripLimit | None:
    """Return the traction limit where the engine was not the limit; None if it always was."""
    if made.power_wpkg is None or made.brake is None:
        return None
    v = samples.speed_mps
    x = samples.accel_mps2 + made.drag_pm * v * v
    free = free_share(side_use, made.exponent)
    where = (x > 0.2 * made.brake.base_mps2) & (free > 0.4) & (x * v < ENGINE * made.power_wpkg)
    if int(where.sum()) < fewest(1, UPPER):
        return None
    row, column = np.nonzero(where)
    every = max(1, len(row) // 600)
    at = row[::every], column[::every]
    growth = max(made.brake.aero_pm / made.brake.base_mps2, 0.0)
    feature = (samples.load[at] + growth * np.minimum(v[at], made.brake.fastest_mps) ** 2)[:, None]
    base = float(quantile_fit(feature, x[at] / free[at], UPPER, weights[at[0]])[0])
    return GripLimit(base, growth * base, made.brake.fastest_mps)
