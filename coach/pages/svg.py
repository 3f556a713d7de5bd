"""Shared code of the drawings."""

from __future__ import annotations

from coach.core.columns import Floats


def svg_points(x: Floats, y: Floats) -> str:
    """Return points (n,) in picture coordinates as the points of a polyline."""
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))
