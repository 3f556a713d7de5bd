"""Extremes and checks of rows of some hundred floats: starting a reduction costs numpy five times as much as the scan.

``argmax`` and ``argmin`` have no such overhead, and both stop at a NaN, so their result reveals one. A test compares
each function with numpy's reduction.
"""

from __future__ import annotations

import math

import numpy as np

from coach.core.columns import Floats


def largest(values: Floats) -> float:
    """Return the largest of ``values`` (shape (n,), n > 0), NaN if any is NaN."""
    return float(values[values.argmax()])


def least(values: Floats) -> float:
    """Return the least of ``values`` (shape (n,), n > 0), NaN if any is NaN."""
    return float(values[values.argmin()])


def all_finite(values: Floats) -> bool:
    """Return whether none of ``values`` (shape (n,)) is NaN or infinite."""
    return not len(values) or (math.isfinite(values[values.argmax()]) and math.isfinite(values[values.argmin()]))


def any_finite(values: Floats) -> bool:
    """Return whether any of ``values`` (shape (n,)) is finite: mostly the first is, or none."""
    return len(values) > 0 and (math.isfinite(values[0]) or bool(np.isfinite(values).any()))


def zero_for_absent(values: Floats) -> Floats:
    """Return ``values`` with 0 for absent ones; the row itself if none is absent."""
    if not len(values) or not math.isnan(values[values.argmax()]):
        return values
    return np.where(np.isnan(values), 0.0, values)
