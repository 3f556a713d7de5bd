"""Smooth shapes for offsets and factors along a path: they start and end without a kink in curvature."""

from __future__ import annotations

import numpy as np

from feeds.frame import Floats


def ease(x: Floats) -> Floats:
    """Ease from 0 at 0 to 1 at 1 with no slope or curvature at the ends, constant outside; any shape."""
    u = np.clip(x, 0.0, 1.0)
    value: Floats = u * u * u * (10.0 + u * (6.0 * u - 15.0))
    return value


def plateau(at: Floats, rise: float, up: float, down: float, fall: float) -> Floats:
    """Return 0 before ``rise``, 1 from ``up`` to ``down``, 0 after ``fall``, eased between; (n,)."""
    return ease((at - rise) / max(up - rise, 1e-9)) * (1.0 - ease((at - down) / max(fall - down, 1e-9)))


def bump(at: Floats, middle: float, half: float) -> Floats:
    """Return 1 at ``middle``, 0 from ``half`` away; (n,)."""
    u = np.clip(np.abs(at - middle) / half, 0.0, 1.0)
    value: Floats = (1.0 - u * u) ** 3
    return value
