"""Circuits nobody designed: layouts of the package random-track-generator, scaled to the size of a race track."""

from __future__ import annotations

import numpy as np
import random_track_generator
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from feeds.practice import Circuit, circuit_from_centre_line


def generated_circuit(seed: int, length_m: float = 4000.0, half_width_m: float = 6.0) -> Circuit:
    """The "medium" layout of ``seed``, its middle line smoothed and scaled to ``length_m``, flat.

    For some seeds (3 and 8) the package never comes to an end.
    """
    left, right = random_track_generator.generate_track("medium", seed=seed).as_tuple()
    dense_left, dense_right = _dense(np.asarray(left)), _dense(np.asarray(right))
    _, nearest = cKDTree(dense_right).query(dense_left)
    middle = 0.5 * (dense_left + dense_right[nearest])
    gap = np.hypot(*np.diff(middle, axis=0, append=middle[:1]).T)
    at = np.concatenate([[0.0], np.cumsum(gap)])
    even = np.arange(160) * (at[-1] / 160)
    points = np.column_stack([np.interp(even, at, np.append(c, c[0])) for c in middle.T])
    for _ in range(2):
        # the pairing of the two edges leaves small steps
        points = (np.roll(points, 1, axis=0) + 2.0 * points + np.roll(points, -1, axis=0)) / 4.0
    return circuit_from_centre_line(points, half_width_m, half_width_m, name=f"generated {seed}", length_m=length_m)


def _dense(cones: np.ndarray) -> np.ndarray:
    """A closed spline through the cones, 1500 points."""
    closed = np.vstack([cones, cones[:1]])
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    spline = CubicSpline(at, closed, bc_type="periodic")
    points: np.ndarray = spline(np.linspace(0.0, at[-1], 1500, endpoint=False))
    return points
