"""Builds a centre line from straights and arcs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import uniform_filter1d

from feeds.frame import Floats
from feeds.practice.circuit import Circuit, Kerb, NamedCorner, circuit_from_centre_line

FINE_M = 0.25


@dataclass(frozen=True)
class Segment:
    """A straight (``turn_deg`` 0) of ``length_m``, or an arc of ``radius_m`` turning ``turn_deg`` (left +).

    ``corner`` names the corner an arc belongs to; arcs with one name are one corner.
    """

    length_m: float = 0.0
    radius_m: float = 0.0
    turn_deg: float = 0.0
    corner: str = ""

    @property
    def run_m(self) -> float:
        """Length along the centre line [m]."""
        return float(abs(np.radians(self.turn_deg)) * self.radius_m) if self.turn_deg else self.length_m


def trace(pieces: Sequence[Segment], ease_m: float = 24.0) -> Floats:
    """Return points (k + 1, 2) of the pieces, from the origin heading east.

    Steps of curvature are eased over ``ease_m`` (a moving average keeps every turning angle), so that the wheel turns
    at a finite rate.
    """
    knots = np.concatenate([[0.0], np.cumsum([p.run_m for p in pieces])])
    angle = np.concatenate([[0.0], np.cumsum([np.radians(p.turn_deg) for p in pieces])])
    k = round(knots[-1] / FINE_M)
    step = knots[-1] / k
    heading = np.interp((np.arange(k) + 0.5) * step, knots, angle)
    heading = uniform_filter1d(heading, max(1, round(ease_m / step)), mode="nearest")
    steps = step * np.column_stack([np.cos(heading), np.sin(heading)])
    return np.vstack([[0.0, 0.0], np.cumsum(steps, axis=0)])


def circuit_from_pieces(
    name: str,
    pieces: Sequence[Segment],
    *,
    half_width_m: float,
    line_at_m: float,
    heights: Sequence[tuple[float, float]],
    kerbs: Sequence[Kerb] = (),
    ease_m: float = 24.0,
) -> Circuit:
    """Join the pieces, distribute the closing error, put the finish line at ``line_at_m``.

    ``heights`` are (place, height) pairs [m] joined by a periodic spline; places of heights, kerbs and corners count
    from the finish line. Raise ValueError if the closing error exceeds 1 m.
    """
    points = trace(pieces, ease_m)
    gap = points[-1] - points[0]
    if np.hypot(*gap) > 1.0 or abs(abs(sum(p.turn_deg for p in pieces)) - 360.0) > 1e-6:
        raise ValueError(f"{name}: the pieces do not close, gap {gap.round(2).tolist()} m")
    points = (points - np.linspace(0.0, 1.0, len(points))[:, None] * gap)[:-1]
    shift = round(line_at_m / FINE_M)
    points = np.roll(points, -shift, axis=0)[::8]
    plan = circuit_from_centre_line(points, half_width_m, half_width_m, name=name)
    at, z = (np.array(column, dtype=np.float64) for column in zip(*heights, strict=True))
    height = CubicSpline(np.append(at, at[0] + plan.length_m), np.append(z, z[0]), bc_type="periodic")
    return Circuit(
        name,
        plan.step_m,
        plan.x_m,
        plan.y_m,
        height(plan.station_m),
        plan.left_m,
        plan.right_m,
        tuple(kerbs),
        _named(pieces, line_at_m, plan.length_m),
    )


def _named(pieces: Sequence[Segment], line_at_m: float, length_m: float) -> tuple[NamedCorner, ...]:
    """Return the stretch of each named corner, in driving order from the finish line."""
    spans: dict[str, list[float]] = {}
    at = -line_at_m
    for piece in pieces:
        if piece.corner:
            spans.setdefault(piece.corner, [at, at])[1] = at + piece.run_m
        at += piece.run_m
    out = [NamedCorner(name, a % length_m, b % length_m) for name, (a, b) in spans.items()]
    return tuple(sorted(out, key=lambda corner: corner.start_m))
