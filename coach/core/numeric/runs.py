"""Runs: where a condition holds without a break."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def stretches(on: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the stretches of True in ``on`` (shape (n,)) as (first, last) indices, in order."""
    edges = ((on[1:] != on[:-1]).nonzero()[0] + 1).tolist()
    if len(on) and on[0]:
        edges.insert(0, 0)
    if len(on) and on[-1]:
        edges.append(len(on))
    return [(a, b - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
