"""Adds a corner by hand: finds room for it, and its places from the reference."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from coach.core.track.reference import Reference
from coach.core.values import Corner, Direction
from coach.errors import CoachError

NAME: Final = "New corner"
LEAST_M: Final = 12.0
"""A free stretch shorter than this holds no corner [m]."""
BEFORE_M: Final = 40.0
AFTER_M: Final = 40.0
"""Distance of a new corner's start and end from its apex where there is room [m]; the user drags its points."""
BRAKING_M: Final = 150.0
"""Search distance for braking before a turn-in [m]."""
PRESSED: Final = 0.05
Stretch = tuple[float, float]


class NoRoomError(CoachError):
    """There is no room for a corner."""


def stretches(corners: Sequence[Corner], reference: Reference) -> list[Stretch]:
    """Return the free stretches [m] between the corners in driving order; across the line they continue beyond its
    length.
    """
    length = reference.length_m
    spans = sorted((_start(c), c.end_m) for c in corners)
    out = [(end, start) for (_, end), (start, _) in pairwise(spans)]
    if reference.closed:
        out.append((spans[-1][1], spans[0][0] + length))
    else:
        out = [(0.0, spans[0][0]), *out, (spans[-1][1], length)]
    return [(a, b) for a, b in out if b - a >= LEAST_M]


def suggested(corners: Sequence[Corner], chosen: int, reference: Reference) -> float:
    """Return the tightest free place [m] after the corner ``chosen``, or in the longest free stretch; raise NoRoomError
    if there is none.
    """
    free = stretches(corners, reference)
    if not free:
        raise NoRoomError("no room for another corner: shorten one first (move its start or its end)")
    after = [s for s in free if s[0] == corners[chosen].end_m]
    a, b = after[0] if after else max(free, key=lambda s: s[1] - s[0])
    s = np.arange(a + LEAST_M / 3, b - LEAST_M / 3, reference.step_m)
    tight = np.abs(reference.at("curvature_pm", s))
    place = float(s[int(np.nanargmax(tight))]) if np.isfinite(tight).any() else 0.5 * (a + b)
    return round(place % reference.length_m if reference.closed else place, 1)


def made(corners: Sequence[Corner], apex_m: float, name: str, reference: Reference) -> Corner:
    """Return a corner around ``apex_m`` [m], limited to its free stretch; raise NoRoomError if another
    corner is there.
    """
    length = reference.length_m
    if not 0.0 <= apex_m < length:
        raise NoRoomError(f"apex: expected 0 to {length:g} m along the reference, found {apex_m:g} m")
    free = stretches(corners, reference)
    found = [(a, b, p) for a, b in free for p in (apex_m, apex_m + length) if a + LEAST_M / 4 <= p <= b - LEAST_M / 4]
    if not found:
        allowed = ", ".join(f"{a % length:.0f} to {b % length:.0f} m" for a, b in free) or "none is left"
        raise NoRoomError(f"apex: expected a place outside every corner ({allowed}), found {apex_m:g} m")
    a, b, apex = found[0]
    turn_in, end = max(a + 0.5, apex - BEFORE_M), min(b - 0.5, apex + AFTER_M)
    brake = _braking(reference, max(a + 0.5, turn_in - BRAKING_M), turn_in, apex)
    shift = length if reference.closed and (turn_in if math.isnan(brake) else brake) >= length else 0.0
    curvature = float(reference.at("curvature_pm", apex))
    direction: Direction = "right" if curvature < 0.0 else "left"
    return Corner(
        name=name,
        say=name,
        direction=direction,
        brake_m=brake - shift,
        turn_in_m=turn_in - shift,
        apex_m=apex - shift,
        exit_m=0.5 * (apex + end) - shift,
        end_m=end - shift,
        gear=_gear(reference, turn_in, end),
    )


def _braking(reference: Reference, low: float, turn_in: float, apex: float) -> float:
    """Return the start of the last braking before the apex [m]; NaN if the corner needs no braking."""
    s = np.arange(low, apex, reference.step_m)
    on = np.flatnonzero(reference.at("brake", s) > PRESSED)
    if not len(on):
        return math.nan
    # the last braking: an earlier one belongs elsewhere
    breaks = np.flatnonzero(np.diff(on) > 1)
    first = float(s[on[breaks[-1] + 1] if len(breaks) else on[0]])
    return min(first, turn_in)


def _gear(reference: Reference, low: float, high: float) -> int | None:
    gear = reference.at("gear", np.arange(low, high, reference.step_m))
    driven = gear[np.isfinite(gear) & (gear >= 1.0)]
    lowest = int(np.floor(driven.min())) if len(driven) else 0
    return lowest if 1 <= lowest <= 8 else None


def _start(corner: Corner) -> float:
    return corner.turn_in_m if math.isnan(corner.brake_m) else corner.brake_m
