"""The median of a short row of floats: ``numpy.median`` for many axes and types takes ten times as long."""

from __future__ import annotations

from coach.core.columns import Floats
from coach.core.numeric.reductions import largest


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
