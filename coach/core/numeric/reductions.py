"""Extremes and checks of rows of some hundred floats: to begin a reduction takes numpy five times as long as to look.

``argmax`` and ``argmin`` need no such beginning, and both stop at a NaN, so what they find tells of one too. A test
holds each of these to the reduction it stands for.
"""

from __future__ import annotations

import math

import numpy as np

from coach.core.columns import Floats


def largest(values: Floats) -> float:
    """Return the largest of ``values`` (shape (n,), n > 0), NaN if one of them is."""
    return float(values[values.argmax()])


def least(values: Floats) -> float:
    """Return the least of ``values`` (shape (n,), n > 0), NaN if one of them is."""
    return float(values[values.argmin()])


def all_finite(values: Floats) -> bool:
    """Return whether none of ``values`` (shape (n,)) is NaN or infinite."""
    return not len(values) or (math.isfinite(values[values.argmax()]) and math.isfinite(values[values.argmin()]))


def any_finite(values: Floats) -> bool:
    """Return whether one of ``values`` (shape (n,)) is a number: mostly the first is, or none."""
    return len(values) > 0 and (math.isfinite(values[0]) or bool(np.isfinite(values).any()))


def zero_for_absent(values: Floats) -> Floats:
    """Return ``values`` with 0 where one is absent; the row itself when none is."""
    if not len(values) or not math.isnan(values[values.argmax()]):
        return values
    return np.where(np.isnan(values), 0.0, values)
