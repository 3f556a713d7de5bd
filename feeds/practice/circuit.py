"""A circuit of the practice feed: closed centre line, widths, kerbs, height, intended corners."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

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


Side = Literal["left", "right"]
KerbKind = Literal["flat", "sawtooth", "sausage"]


@dataclass(frozen=True)
class Kerb:
    """A kerb from ``start_m`` to ``end_m`` (metres along the centre line), ``width_m`` wide, on one side."""

    start_m: float
    end_m: float
    side: Side
    kind: KerbKind = "flat"
    width_m: float = 1.2


@dataclass(frozen=True)
class NamedCorner:
    """A corner as designed: name and stretch of the centre line [m]."""

    name: str
    start_m: float
    end_m: float


@dataclass(frozen=True, eq=False)
class Circuit:
    """A closed circuit on an even grid along its centre line.

    ``x_m``, ``y_m``, ``z_m`` (shape (m,)) are the nodes, node ``i`` at ``i * step_m``; node 0 lies on the
    finish line. ``left_m`` and ``right_m`` (shape (m,), >= 0) are the half widths of the asphalt.
    """

    name: str
    step_m: float
    x_m: Floats
    y_m: Floats
    z_m: Floats
    left_m: Floats
    right_m: Floats
    kerbs: tuple[Kerb, ...] = ()
    named: tuple[NamedCorner, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.x_m)

    @property
    def length_m(self) -> float:
        """Length of the centre line [m]."""
        return len(self.x_m) * self.step_m

    @property
    def station_m(self) -> Floats:
        """Distance of each node along the centre line [m], shape (m,)."""
        return np.arange(len(self.x_m), dtype=np.float64) * self.step_m

    @cached_property
    def _spline(self) -> CubicSpline:
        rows = np.column_stack([self.x_m, self.y_m, self.z_m])
        station = np.arange(len(self) + 1) * self.step_m
        return CubicSpline(station, np.vstack([rows, rows[:1]]), bc_type="periodic")

    @cached_property
    def normal(self) -> Floats:
        """Unit normal to the left at each node, shape (m, 2)."""
        return self._normal(self._spline(self.station_m, 1))

    @cached_property
    def curvature_pm(self) -> Floats:
        """Curvature of the centre line at each node [1/m], left positive."""
        d, dd = self._spline(self.station_m, 1), self._spline(self.station_m, 2)
        value: Floats = (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0]) / np.hypot(d[:, 0], d[:, 1]) ** 3
        return value

    @cached_property
    def grade(self) -> Floats:
        """Rise per metre along the centre line at each node."""
        value: Floats = self._spline(self.station_m, 1)[:, 2]
        return value

    @cached_property
    def bend_pm(self) -> Floats:
        """Vertical curvature at each node [1/m]: positive in a dip, negative over a crest."""
        value: Floats = self._spline(self.station_m, 2)[:, 2]
        return value

    @staticmethod
    def _normal(tangent: Floats) -> Floats:
        size = np.hypot(tangent[:, 0], tangent[:, 1])
        return np.column_stack([-tangent[:, 1] / size, tangent[:, 0] / size])

    def place(self, station_m: Floats, offset_m: Floats) -> Floats:
        """Return points (n, 3) at ``station_m`` along and ``offset_m`` to the left of the centre line."""
        s = np.mod(station_m, self.length_m)
        points: Floats = self._spline(s)
        points[:, :2] += offset_m[:, None] * self._normal(self._spline(s, 1))
        return points

    def project(self, points: Floats, near_m: Floats) -> tuple[Floats, Floats]:
        """Return station and offset [m] of ``points`` (n, 2) close to the stations ``near_m`` (n,)."""
        station = near_m.copy()
        for _ in range(4):
            s = np.mod(station, self.length_m)
            centre, d, dd = (self._spline(s, order)[:, :2] for order in (0, 1, 2))
            gap = points - centre
            # Newton on the foot of the perpendicular
            slope = np.sum(d * d, axis=1) - np.sum(gap * dd, axis=1)
            station = station + np.sum(gap * d, axis=1) / np.maximum(slope, 0.1)
        s = np.mod(station, self.length_m)
        offset: Floats = np.sum((points - self._spline(s)[:, :2]) * self._normal(self._spline(s, 1)), axis=1)
        return station, offset

    def at(self, column: Floats, station_m: Floats) -> Floats:
        """Return a column of node values (shape (m,)) at ``station_m``, linear, wrapping over the finish line."""
        value: Floats = np.interp(
            np.mod(station_m, self.length_m) / self.step_m, np.arange(len(column) + 1), np.append(column, column[0])
        )
        return value

    def kerb_width(self, side: Side) -> Floats:
        """Return the width of the kerb at each node on one side [m]; 0 where there is none."""
        width = np.zeros(len(self))
        for kerb in self.kerbs:
            if kerb.side == side:
                span = np.mod(self.station_m - kerb.start_m, self.length_m)
                inside = span <= np.mod(kerb.end_m - kerb.start_m, self.length_m)
                width = np.where(inside, np.maximum(width, kerb.width_m), width)
        return width


def circuit_from_centre_line(
    centre: ArrayLike,
    left_m: ArrayLike = 6.0,
    right_m: ArrayLike = 6.0,
    *,
    name: str = "generated",
    z_m: ArrayLike | None = None,
    length_m: float | None = None,
    step_m: float = 1.0,
) -> Circuit:
    """Build a circuit from any closed centre line.

    ``centre`` (n, 2) in driving order, the last point not repeating the first; ``left_m``, ``right_m`` and ``z_m``
    numbers or arrays (n,). ``length_m`` scales the plan to that length [m]. Raise ValueError if there are fewer than 8
    points or a point is not finite.
    """
    points = np.asarray(centre, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 8 or not np.isfinite(points).all():
        raise ValueError(f"a centre line needs at least 8 finite points (n, 2), found shape {points.shape}")
    if np.hypot(*(points[-1] - points[0])) < 1e-9:
        points = points[:-1]
    n = len(points)
    left, right = (np.broadcast_to(np.asarray(w, dtype=np.float64), (n,)) for w in (left_m, right_m))
    z = np.zeros(n) if z_m is None else np.broadcast_to(np.asarray(z_m, dtype=np.float64), (n,))
    knots, fine = _arc_length(points)
    if length_m is not None:
        points = points * (length_m / fine[-1])
        knots, fine = _arc_length(points)
    total = fine[-1]
    m = max(round(total / step_m), 8)
    rows = np.column_stack([points, z, left, right])
    spline = CubicSpline(knots, np.vstack([rows, rows[:1]]), bc_type="periodic")
    even = np.interp(np.arange(m) * (total / m), fine, np.linspace(0.0, knots[-1], len(fine)))
    out = spline(even)
    width = np.clip(out[:, 3:], np.minimum(left.min(), right.min()), np.maximum(left.max(), right.max()))
    return Circuit(name, total / m, out[:, 0], out[:, 1], out[:, 2], width[:, 0], width[:, 1])


def _arc_length(points: Floats) -> tuple[Floats, Floats]:
    """Return chord-length knots (n + 1,) of the closed polygon, and arc length over an even sweep of the knots."""
    closed = np.vstack([points, points[:1]])
    knots = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    spline = CubicSpline(knots, closed, bc_type="periodic")
    sweep = spline(np.linspace(0.0, knots[-1], 20 * len(points) + 1))
    return knots, np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(sweep, axis=0).T))])
