"""All laps beside one line: which left the road, and the driven width of the road.

A lap is off the road where it runs more than OFF_M (or six times the spread of the laps there) beside the median of
all laps over OFF_OVER_M. The edges are the outermost places that valid laps drove, seen within EDGE_REACH_M along
the line, plus half a car's width (1 m, common practice, no source); with fewer than three valid laps unknown.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.spatial import cKDTree

from coach.core.columns import Floats
from coach.core.numeric.reductions import stretches
from coach.core.track.projection import ReferenceLine
from coach.core.track.reference import Reference
from coach.survey.laps import Lap, refuse_slow
from coach.survey.trace import Recording

OFF_M: Final = 12.0
OFF_OVER_M: Final = 20.0
EDGE_REACH_M: Final = 15.0
HALF_CAR_M: Final = 1.0
FEWEST_LAPS: Final = 3
_HEADING_M: Final = 40.0  # one radian of heading counts as this distance, to separate crossings


def beside(trace: Recording, laps: tuple[Lap, ...], reference: Reference) -> tuple[Floats, Floats, Floats]:
    """Return the offset from the line [m, left +], speed [m/s] and curvature [1/m] of each lap at each node.

    Shapes (laps, n); NaN where unknown.
    """
    line = ReferenceLine(reference)
    place = np.arange(len(reference)) * reference.step_m
    tree = cKDTree(_key(reference.x_m, reference.y_m, reference.heading_rad))
    offset = np.full((len(laps), len(reference)), np.nan)
    speed, curvature = np.full_like(offset, np.nan), np.full_like(offset, np.nan)
    for row, lap in enumerate(laps):
        around = 0.5 if reference.closed else 0.0
        i, j = np.searchsorted(trace.p_clock, [lap.start - around, lap.stop + around])
        stride = max(1, int(trace.rate_hz / 30))
        at = np.arange(i, j, stride)
        if len(at) < 10:
            continue
        _, near = tree.query(_key(trace.xs[at], trace.ys[at], trace.course[at]))
        guess = np.asarray(near, dtype=np.float64) * reference.step_m
        with np.errstate(invalid="ignore"):  # places beyond the end of an open course are not found
            s, d, found = line.project(trace.xs[at], trace.ys[at], guess)
        if reference.closed:
            # unwrap at the line: the lap begins near 0 and ends near the length
            share = np.linspace(0.0, 1.0, len(at))
            s = s + reference.length_m * np.round(share - s / reference.length_m)
        ok = found & np.isfinite(s) & np.isfinite(d)
        s, d = s[ok], d[ok]
        on = np.concatenate([[True], s[1:] > np.maximum.accumulate(s)[:-1]])
        if int(on.sum()) < 10:
            continue
        offset[row] = np.interp(place, s[on], d[on], left=np.nan, right=np.nan)
        t = trace.p_clock[at]
        v = np.interp(t, trace.clock, trace.speed)
        k = np.gradient(np.unwrap(trace.course[at]), t) / np.maximum(v, 3.0)
        speed[row] = np.interp(place, s[on], v[ok][on], left=np.nan, right=np.nan)
        curvature[row] = np.interp(place, s[on], k[ok][on], left=np.nan, right=np.nan)
    return offset, speed, curvature


def _key(x: Floats, y: Floats, heading: Floats) -> Floats:
    return np.column_stack([x, y, _HEADING_M * np.cos(heading), _HEADING_M * np.sin(heading)])


def refuse_off_road(laps: tuple[Lap, ...], offset: Floats, step_m: float) -> tuple[Lap, ...]:
    """Refuse valid laps that leave the other laps' road; needs three valid laps to determine the road."""
    valid = np.array([lap.valid for lap in laps])
    if int(valid.sum()) < FEWEST_LAPS:
        return laps
    rows = offset[valid]
    empty = ~np.isfinite(rows).any(axis=0)
    rows = np.where(empty, 0.0, rows)
    middle = np.nanmedian(rows, axis=0)
    spread = 1.4826 * np.nanmedian(np.abs(rows - middle), axis=0)
    limit = np.maximum(OFF_M, 6.0 * spread)
    out = []
    for lap, row in zip(laps, offset, strict=True):
        far = _lasting(np.abs(row - middle) > limit, int(OFF_OVER_M / step_m))
        if lap.valid and far.any():
            k = int(np.argmax(far))
            gap = abs(float(row[k] - middle[k]))
            text = f"off the road of the other laps: {gap:.0f} m beside them, {k * step_m:.0f} m after the line"
            lap = replace(lap, reason=text)
        out.append(lap)
    return refuse_slow(tuple(out))


def _lasting(flag: NDArray[np.bool_], nodes: int) -> NDArray[np.bool_]:
    out = np.zeros(len(flag), dtype=np.bool_)
    for a, b in stretches(flag):
        if b + 1 - a >= nodes:
            out[a : b + 1] = True
    return out


def with_edges(reference: Reference, offset: Floats) -> Reference:
    """Return the reference with its edges from the offsets of valid laps, shape (laps, n)."""
    known = np.isfinite(offset).sum(axis=0)
    if len(offset) < FEWEST_LAPS or not np.all(known >= 1):
        return reference
    mode: Literal["wrap", "nearest"] = "wrap" if reference.closed else "nearest"
    size = 2 * round(EDGE_REACH_M / reference.step_m) + 1

    def edge(outermost: Floats) -> Floats:
        widest = maximum_filter1d(np.maximum(outermost, 0.0), size, mode=mode)
        out: Floats = np.maximum(uniform_filter1d(widest, size, mode=mode), np.maximum(outermost, 0.0)) + HALF_CAR_M
        return out

    return replace(reference, left_m=edge(np.nanmax(offset, axis=0)), right_m=edge(-np.nanmin(offset, axis=0)))
