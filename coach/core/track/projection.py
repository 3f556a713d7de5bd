"""Projection of positions onto the reference line, many at once.

A position p belongs to the place s at which (p - P(s)) . T(s) = 0, with the line P and its unit tangent T taken
linearly between the 1 m nodes. Within one radius of curvature of the line this s is the only one near a guess,
so the result does not depend on the guess (nor on how frames are cut into chunks), and unlike the nearest point
on a polyline it has no dead wedge at the outside of a node and no jump at the inside.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.track.reference import Reference

FARTHEST_M: Final = 1e9
"""Largest valid distance [m]."""
_STEPS: Final = 12
"""Most Newton steps; five suffice from a guess 10 m off in a hairpin."""


class ReferenceLine:
    """The reference line prepared for projection: node positions and tangents, extended over the seam."""

    def __init__(self, reference: Reference) -> None:
        self.closed = reference.closed
        self.n = len(reference)
        self.step_m = reference.step_m
        self.length_m = reference.length_m
        self.x = reference.x_m
        self.y = reference.y_m
        self.heading = reference.heading_rad
        self.tx = np.cos(reference.heading_rad)
        self.ty = np.sin(reference.heading_rad)
        self.curvature = reference.curvature_pm
        self._table = np.stack((self.x, self.y, self.tx, self.ty, self.curvature))
        self.unique_m = 0.5 / max(float(np.nanmax(np.abs(self.curvature))), 1e-6)
        """Less far off the line than this a place is the only one near it, from wherever it is looked for [m]."""
        # plain floats for single positions: many times faster than arrays of one, with the same results to the bit
        self._nodes = list(zip(*self._table.tolist(), strict=True))

    def _rows(self, i: NDArray[np.intp]) -> Floats:
        """Return the data of nodes ``i`` (which may exceed the seam), shape (5, n)."""
        return self._table.take(i, axis=1, mode="wrap" if self.closed else "clip")

    def _along(self, x: Floats, y: Floats, rows: Floats) -> Floats:
        along: Floats = (x - rows[0]) * rows[2] + (y - rows[1]) * rows[3]
        return along

    def project(self, x: Floats, y: Floats, guess_m: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Return places near ``guess_m`` [m, may run over the seam], offsets (left +) [m], and whether it was found.

        All shapes (n,). A place keeps the lap of its guess: it is not wrapped. NaN if not found.
        """
        near = np.isfinite(x) & np.isfinite(y) & (np.abs(guess_m) < FARTHEST_M)
        all_near = bool(near.all())
        if not all_near:
            x, y, guess_m = np.where(near, x, np.nan), np.where(near, y, np.nan), np.where(near, guess_m, 0.0)
        i = self._inside(np.floor(guess_m / self.step_m).astype(np.intp))
        for _ in range(_STEPS):
            rows = self._rows(i)
            dx, dy, tx, ty = x - rows[0], y - rows[1], rows[2], rows[3]
            here = dx * tx + dy * ty
            # one metre along the car's own path is 1 / (1 - k d) metres of the line
            stretch = np.minimum(np.maximum(1.0 - rows[4] * (dy * tx - dx * ty), 0.25), 4.0)
            jump = np.floor(here / (stretch * self.step_m))
            if not all_near:
                jump = np.where(near, jump, 0.0)
            if not jump.any():
                break
            i = self._inside(i + np.minimum(np.maximum(jump, -60.0), 60.0).astype(np.intp))
        else:
            rows = self._rows(i)
            here = self._along(x, y, rows)
        return self._settle(x, y, i, rows, here)

    def _inside(self, i: NDArray[np.intp]) -> NDArray[np.intp]:
        return i if self.closed else np.minimum(np.maximum(i, 0), self.n - 2)

    def _settle(
        self, x: Floats, y: Floats, i: NDArray[np.intp], rows: Floats, here: Floats
    ) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Find the segment whose ends have opposite signs, from an index at most one off."""
        following = self._rows(i + 1)
        after = self._along(x, y, following)
        for _ in range(3):
            move = np.where(here < 0.0, -1, np.where(after >= 0.0, 1, 0))
            if not move.any():
                break
            i = self._inside(i + move)
            rows, following = self._rows(i), self._rows(i + 1)
            here, after = self._along(x, y, rows), self._along(x, y, following)
        found = (here >= 0.0) & (after < 0.0)
        if not self.closed:
            # the line continues straight before its start and after its end
            found = found | ((here < 0.0) & (i == 0)) | ((after >= 0.0) & (i == self.n - 2))
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.where(found, here / (here - after), np.nan)
        place = np.asarray((i + part) * self.step_m, dtype=np.float64)
        px, py, tx, ty = rows[:4] + part * (following[:4] - rows[:4])
        offset: Floats = ((y - py) * tx - (x - px) * ty) / np.sqrt(tx * tx + ty * ty)
        return place, offset, found & np.isfinite(place)

    def project_one(self, x: float, y: float, guess_m: float) -> tuple[float, float, bool]:
        """Return ``project`` of a single position: (place, offset, found), the same to the last bit."""
        if not (math.isfinite(x) and math.isfinite(y) and abs(guess_m) < FARTHEST_M):
            return math.nan, math.nan, False
        last, closed, n = self.n - 2, self.closed, self.n
        i = math.floor(guess_m / self.step_m)
        if not closed:
            i = min(max(i, 0), last)
        nodes, step = self._nodes, self.step_m
        for _ in range(_STEPS):
            node = nodes[i % n if closed else i]
            px, py, tx, ty, curvature = node
            dx, dy = x - px, y - py
            here = dx * tx + dy * ty
            stretch = 1.0 - curvature * (dy * tx - dx * ty)
            stretch = 0.25 if stretch < 0.25 else 4.0 if stretch > 4.0 else stretch
            jump = math.floor(here / (stretch * step))
            if not jump:
                break
            i += min(max(jump, -60), 60)
            if not closed:
                i = min(max(i, 0), last)
        else:
            here = self._along_one(x, y, i)
        following = self._node_one(i + 1)
        after = (x - following[0]) * following[2] + (y - following[1]) * following[3]
        if not jump and here >= 0.0 > after:
            return self._between(x, y, i, here / (here - after), node, following)
        for _ in range(3):
            move = -1 if here < 0.0 else 1 if after >= 0.0 else 0
            if not move:
                break
            i += move
            if not closed:
                i = min(max(i, 0), last)
            here, after = self._along_one(x, y, i), self._along_one(x, y, i + 1)
        beyond = not closed and ((here < 0.0 and i == 0) or (after >= 0.0 and i == last))
        if not (here >= 0.0 and after < 0.0) and not beyond:
            return math.nan, math.nan, False
        if here == after:
            return math.nan, math.nan, False
        return self._between(x, y, i, here / (here - after), self._node_one(i), self._node_one(i + 1))

    def _between(
        self, x: float, y: float, i: int, part: float, node: tuple[float, ...], following: tuple[float, ...]
    ) -> tuple[float, float, bool]:
        (px, py, tx, ty, _), (x1, y1, tx1, ty1, _) = node, following
        px, py = px + part * (x1 - px), py + part * (y1 - py)
        tx, ty = tx + part * (tx1 - tx), ty + part * (ty1 - ty)
        offset = ((y - py) * tx - (x - px) * ty) / math.sqrt(tx * tx + ty * ty)
        return (i + part) * self.step_m, offset, True

    def _node_one(self, i: int) -> tuple[float, ...]:
        return self._nodes[i % self.n if self.closed else min(max(i, 0), self.n - 1)]

    def _along_one(self, x: float, y: float, i: int) -> float:
        px, py, tx, ty, _ = self._node_one(i)
        return (x - px) * tx + (y - py) * ty

    def candidates(self, x: float, y: float, heading: float, reach_m: float) -> list[tuple[float, float]]:
        """Return all places within ``reach_m`` with a direction within 60 degrees of ``heading`` [rad].

        Each as (distance [m], place [m]), nearest first: one per nearby piece of track.
        """
        gap = np.hypot(self.x - x, self.y - y)
        turn = np.abs(np.angle(np.exp(1j * (self.heading - heading))))
        near = np.flatnonzero((gap < reach_m) & (turn < np.pi / 3))
        found: list[tuple[float, float]] = []
        if not len(near):
            return found
        pieces = np.split(near, np.flatnonzero(np.diff(near) > 40.0 / self.step_m) + 1)
        for piece in pieces:
            best = piece[np.argmin(gap[piece])]
            found.append((float(gap[best]), float(best * self.step_m)))
        return sorted(found)
