"""The road of the transient simulator: a closed middle line with hills, and the line a driver drives on it."""

from __future__ import annotations

from typing import Final

import numpy as np
from bench_circuits import centre_line
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import lsq_linear

Floats = NDArray[np.float64]

STEP_M: Final = 2.0
HALF_WIDTH_M: Final = 6.0
DRIVEN_M: Final = 3.2
"""How far from the middle the line goes [m]: what is left of the road is for being wide and for scatter."""
KNOT_M: Final = 12.0


class Road:
    """Nodes (n,) at ``step_m`` along the middle: position, heading, curvature, height, slope, and the driver's offset.

    ``hill_m`` is the height of the hills [m]: three waves a lap, so that the road closes in height too.
    """

    def __init__(self, x: Floats, y: Floats, hill_m: float = 0.0) -> None:
        self.hill_m = hill_m
        closed = np.column_stack([np.append(x, x[0]), np.append(y, y[0])])
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
        self.n = round(s[-1] / STEP_M)
        self.length_m = float(s[-1])
        self.step_m = self.length_m / self.n
        spline = CubicSpline(s, closed, bc_type="periodic")
        self.s = np.arange(self.n) * self.step_m
        self.xy = spline(self.s)
        d, dd = spline(self.s, 1), spline(self.s, 2)
        self.heading = np.unwrap(np.arctan2(d[:, 1], d[:, 0]))
        self.normal = np.column_stack([-d[:, 1], d[:, 0]]) / np.hypot(*d.T)[:, None]
        self.curvature = (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0]) / np.hypot(*d.T) ** 3
        waves = ((2, 1.0, 0.4), (3, 0.6, 2.1), (5, 0.25, 1.0))
        turn = 2.0 * np.pi / self.length_m
        self.z = hill_m * sum(a * np.sin(k * turn * self.s + p) for k, a, p in waves)
        self.slope = hill_m * sum(a * k * turn * np.cos(k * turn * self.s + p) for k, a, p in waves)
        self.bend_up = -hill_m * sum(a * (k * turn) ** 2 * np.sin(k * turn * self.s + p) for k, a, p in waves)
        self.line = self._line()

    def _line(self) -> Floats:
        """Offsets (n,) of the line of least squared curvature within DRIVEN_M: linear least squares with bounds."""
        m = round(self.length_m / KNOT_M)
        at = np.linspace(0.0, self.n, m, endpoint=False).astype(int)
        p, q = self.xy[at], self.normal[at]
        second = -2.0 * np.eye(m) + np.roll(np.eye(m), 1, axis=1) + np.roll(np.eye(m), -1, axis=1)
        rows = np.vstack([second * q[:, 0], second * q[:, 1], 0.01 * np.eye(m)])
        wanted = np.concatenate([-(second @ p[:, 0]), -(second @ p[:, 1]), np.zeros(m)])
        found = lsq_linear(rows, wanted, (-DRIVEN_M, DRIVEN_M), tol=1e-4, max_iter=40).x
        s = np.append(self.s[at], self.length_m)
        out: Floats = CubicSpline(s, np.append(found, found[0]), bc_type="periodic")(self.s)
        return np.clip(out, -DRIVEN_M, DRIVEN_M)

    def path(self, offset: Floats) -> tuple[Floats, Floats, Floats]:
        """Of lines at ``offset`` (lanes, n): heading against the road [rad], curvature [1/m], way per node [m]."""
        one = (np.roll(offset, -1, axis=1) - np.roll(offset, 1, axis=1)) / (2.0 * self.step_m)
        near = 1.0 - offset * self.curvature
        turned = np.arctan2(one, near)
        bend = (np.roll(turned, -1, axis=1) - np.roll(turned, 1, axis=1)) / (2.0 * self.step_m) + self.curvature
        way = np.hypot(one, near)
        return turned, bend / way, way * self.step_m


def road_of(seed: int, length_m: float) -> Road:
    """The generated circuit of a seed; odd seeds have hills, even ones are flat."""
    xy = centre_line(seed, length_m, 10.0)
    return Road(xy[:, 0], xy[:, 1], 6.0 if seed % 2 else 0.0)
