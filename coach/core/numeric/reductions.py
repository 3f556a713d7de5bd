"""Reductions of short rows, their median and their runs: cheaper than what numpy has for many axes and types."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

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


def median(values: Floats) -> float:
    """Return the median of ``values`` (shape (n,), n > 0), NaN if any is NaN; a test compares it with
    ``numpy.median``.
    """
    n = len(values)
    half = n // 2
    top = largest(values)
    if top != top:
        return top
    ordered = values.copy()
    ordered.partition(half)
    upper = float(ordered[half])
    return upper if n % 2 else (largest(ordered[:half]) + upper) / 2.0


def stretches(on: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the stretches of True in ``on`` (shape (n,)) as (first, last) indices, in order."""
    edges = ((on[1:] != on[:-1]).nonzero()[0] + 1).tolist()
    if len(on) and on[0]:
        edges.insert(0, 0)
    if len(on) and on[-1]:
        edges.append(len(on))
    return [(a, b - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
