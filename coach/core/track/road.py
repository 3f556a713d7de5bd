"""The road along a line for the speed profile: step, curvature, load and slope at each node."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.numeric.smoothing import smooth
from coach.core.track.car import slope_of
from coach.core.track.envelope import G_MPS2
from coach.core.track.reference import Reference


@dataclass(frozen=True, eq=False)
class Road:
    """A line's nodes, arrays (n,): ``step_m`` to the next node, ``curvature_pm`` [1/m, left +], ``weight`` the share
    of the weight on the road at rest (cos of the gradient), ``lift_pm`` how it grows with v^2 (vertical curvature / g,
    a dip positive), ``slope_mps2`` gravity along the road (uphill positive). ``closed``: node n is node 0 again.
    """

    step_m: Floats
    curvature_pm: Floats
    weight: Floats
    lift_pm: Floats
    slope_mps2: Floats
    closed: bool = True

    def __len__(self) -> int:
        return len(self.step_m)

    def load(self, speed_mps: Floats) -> Floats:
        """Return the share of the weight on the road at ``speed_mps`` (..., n)."""
        return np.asarray(np.maximum(self.weight + self.lift_pm * speed_mps * speed_mps, 0.1))

    def at(self, nodes: NDArray[np.intp]) -> Road:
        """Return an open piece of the road: its ``nodes``, any integers, wrapped on a closed one."""
        n = len(self)
        i = nodes % n if self.closed else np.clip(nodes, 0, n - 1)
        return Road(
            self.step_m[i], self.curvature_pm[i], self.weight[i], self.lift_pm[i], self.slope_mps2[i], closed=False
        )  # fmt: skip

    def with_line(self, step_m: Floats, curvature_pm: Floats) -> Road:
        """Return the same road with another line's steps and curvature, arrays (n,)."""
        return Road(step_m, curvature_pm, self.weight, self.lift_pm, self.slope_mps2, self.closed)


def level_road(curvature_pm: Floats, step_m: float | Floats, closed: bool = True) -> Road:
    """Return a road without gradient from a curvature (n,) [1/m] and its step(s) [m]."""
    n = len(curvature_pm)
    step = np.broadcast_to(np.asarray(step_m, dtype=np.float64), (n,)).copy()
    return Road(step, curvature_pm, np.ones(n), np.zeros(n), np.zeros(n), closed)


def road_of(reference: Reference) -> Road:
    """Return the road along a reference; level where its height is unknown. Raise ValueError without a line."""
    if not reference.has_line:
        raise ValueError("no positions: the curvature of the line is unknown")
    n, step = len(reference), reference.step_m
    rise = slope_of(reference)
    cos = 1.0 / np.sqrt(1.0 + rise * rise)
    pad = 30
    around = np.pad(rise, pad, mode="wrap" if reference.closed else "edge")
    bend = np.gradient(smooth(around, 15), step)[pad:-pad] * cos**3
    return Road(
        np.full(n, step), reference.curvature_pm, cos, bend / G_MPS2, G_MPS2 * rise * cos, reference.closed
    )  # fmt: skip
