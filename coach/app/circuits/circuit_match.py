"""Checks whether a car drives the circuit of a profile, another circuit, or the right one in reverse.

Samples the driven path every STEP_M metres and compares distance and direction with the reference's line.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from coach.core.columns import Columns, Floats
from coach.core.track.reference import Reference
from coach.errors import CoachError

NEAR_M: Final = 40.0
"""No part of a circuit, pits included, is farther than this (common practice, no source)."""
STEP_M: Final = 10.0
FIRST_M: Final = 300.0
"""Least driven distance before reporting "never near" [m]."""
ENOUGH_M: Final = 1000.0
"""Least driven distance before judging shares of it [m]."""
FITS: Final = 0.8
OTHER: Final = 0.5
"""A smaller share of the path near the line means another circuit."""
TURNED: Final = 0.6
OTHER_LENGTH: Final = 0.03
"""Largest difference of lap lengths on one circuit, as in the survey."""
JUMP_M: Final = 200.0


class OtherCircuitError(CoachError):
    """A session on another circuit than the profile's, or in the opposite direction."""


@dataclass(frozen=True)
class Match:
    """``way_m`` driven; the nearest distance; the shares near the line in its direction and against it."""

    way_m: float
    nearest_m: float
    along: float
    against: float


def thinned(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return the positions at least STEP_M apart; standing and gaps are left out."""
    good = np.isfinite(x) & np.isfinite(y)
    x, y = x[good], y[good]
    if not len(x):
        return x, y
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    keep = np.flatnonzero(np.diff(np.floor(way / STEP_M), prepend=-1.0) > 0)
    return x[keep], y[keep]


def match(reference: Reference, x: Floats, y: Floats) -> Match:
    """Compare positions, thinned and in driving order (shape (n,) [m]), with the reference's line."""
    step = np.hypot(np.diff(x), np.diff(y))
    driven = step < JUMP_M
    way = float(step[driven].sum())
    if len(x) < 2 or not driven.any():
        return Match(way, math.nan, 0.0, 0.0)
    every = max(round(STEP_M / reference.step_m), 1)
    line_x, line_y, heading = reference.x_m[::every], reference.y_m[::every], reference.heading_rad[::every]
    mid_x, mid_y = 0.5 * (x[1:] + x[:-1])[driven], 0.5 * (y[1:] + y[:-1])[driven]
    course = np.arctan2(np.diff(y), np.diff(x))[driven]
    away, index = _nearest(line_x, line_y, mid_x, mid_y)
    near, same = away <= NEAR_M, np.cos(course - heading[index])
    return Match(way, float(away.min()), float(np.mean(near & (same > 0.0))), float(np.mean(near & (same < 0.0))))


def _nearest(
    line_x: Floats, line_y: Floats, x: Floats, y: Floats
) -> tuple[Floats, np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Return the distance to the nearest node of the line and its index, in blocks so that a long session fits in
    memory.
    """
    away, index = np.empty(len(x)), np.empty(len(x), dtype=np.intp)
    for a in range(0, len(x), 512):
        part = slice(a, a + 512)
        square = (x[part, None] - line_x) ** 2 + (y[part, None] - line_y) ** 2
        index[part] = square.argmin(axis=1)
        away[part] = np.sqrt(square[np.arange(len(square)), index[part]])
    return away, index


def verdict(reference: Reference, found: Match) -> str:
    """Return the mismatch in a sentence; "" if the circuit fits or the distance is too short."""
    name = reference.circuit
    if found.way_m >= FIRST_M and found.nearest_m > NEAR_M:
        away = f"{found.nearest_m:.0f} m" if found.nearest_m < 2000.0 else f"{found.nearest_m / 1000.0:.0f} km"
        return f"this is not {name}: never within {NEAR_M:.0f} m of its line (nearest {away})"
    if found.way_m < ENOUGH_M:
        return ""
    if found.against >= TURNED:
        return f"this is {name} in the reversed direction: the profile is for the other way round"
    if found.along + found.against < OTHER:
        near = found.along + found.against
        return f"this is not {name}: only {near:.0%} of the way lies within {NEAR_M:.0f} m of its line"
    return ""


def fits(reference: Reference, x: Floats, y: Floats) -> bool:
    """Return whether the driven path (thinned) follows this reference in its direction."""
    found = match(reference, x, y) if reference.has_line else None
    return found is not None and found.way_m >= FIRST_M and found.along >= FITS


def wrong_circuit(reference: Reference, batches: Iterable[Columns]) -> str:
    """Return a session's circuit mismatch in a sentence; "" if it fits or is undecided."""
    parts = list(batches)
    if not parts:
        return ""
    whole = Columns.join(parts)
    if reference.has_line and np.isfinite(whole["x_m"]).any():
        return verdict(reference, match(reference, *thinned(whole["x_m"], whole["y_m"])))
    return wrong_length(reference, lap_lengths(whole["lap_distance_m"]))


def lap_lengths(distance_m: Floats) -> Sequence[float]:
    """Return the lengths [m] of whole laps by lap distance: its largest value before each reset but the first."""
    d = distance_m[np.isfinite(distance_m)]
    if len(d) < 2:
        return []
    line = np.flatnonzero(np.diff(d) < -max(0.5 * float(d.max()), JUMP_M)) + 1
    return [float(d[a:b].max()) for a, b in pairwise(line.tolist())]


def wrong_length(reference: Reference, lengths: Sequence[float]) -> str:
    """Return the verdict if only a lap distance is known."""
    if not lengths:
        return ""
    lap = float(np.median(lengths))
    if abs(lap / reference.length_m - 1.0) <= OTHER_LENGTH:
        return ""
    return f"this is not {reference.circuit}: a lap has {lap:.0f} m, expected {reference.length_m:.0f} m"
