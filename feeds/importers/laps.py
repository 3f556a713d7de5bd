"""Cuts a record into laps: by a lap column, by resets of the lap distance, or where its path crosses a line.

Without a given line the path supplies one: a place on a fast part that the car passes again and again with the same
heading after equal distances.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

import msgspec
import numpy as np

from feeds.frame import Floats

_HALF_WIDTH_M: Final = 25.0
_HEADING_RAD: Final = math.radians(35.0)
_MIN_LAP_M: Final = 300.0
_MIN_LAP_S: Final = 12.0
_ANCHORS: Final = 60
_FALL_SHARE: Final = 0.5


class FinishLine(msgspec.Struct, frozen=True):
    """A start line: a place on it [m] and the heading across it [rad, counter-clockwise from east]."""

    x_m: float
    y_m: float
    heading_rad: float


class LapSpan(msgspec.Struct, frozen=True):
    """One stretch between two crossings; ``complete`` is false for what lies before the first and after the last."""

    lap: int
    start_s: float
    time_s: float
    complete: bool


def by_column(t_s: Floats, lap: Floats) -> list[LapSpan]:
    """Return laps by a lap column; the first and the last count as incomplete."""
    known = np.flatnonzero(np.isfinite(lap))
    if not len(known):
        return []
    changes = known[1:][np.diff(lap[known]) != 0]
    return _laps(t_s, [float(t_s[i]) for i in changes], int(lap[known[0]]))


def falls(distance: Floats) -> list[int]:
    """Return the rows at which a lap distance (or a lap fraction) resets; the row is the first of the new lap."""
    known = np.flatnonzero(np.isfinite(distance))
    if len(known) < 2:
        return []
    values = distance[known]
    size = float(np.quantile(values, 0.99))
    return [int(known[i + 1]) for i in np.flatnonzero(np.diff(values) < -_FALL_SHARE * size)] if size > 0 else []


def crossings(t_s: Floats, x_m: Floats, y_m: Floats, line: FinishLine) -> list[float]:
    """Return times [s], to a fraction of a sample, at which the path crosses ``line`` in its direction."""
    dx, dy = x_m - line.x_m, y_m - line.y_m
    c, s = math.cos(line.heading_rad), math.sin(line.heading_rad)
    along, across = dx * c + dy * s, dy * c - dx * s
    step = np.diff(along)
    with np.errstate(divide="ignore", invalid="ignore"):
        over = (along[:-1] < 0) & (along[1:] >= 0) & (step > 0) & (step < 200.0)
        share = np.where(over, -along[:-1] / step, np.nan)
        side = across[:-1] + share * np.diff(across)
        heading = np.arctan2(np.diff(y_m), np.diff(x_m)) - line.heading_rad
    turned = np.abs((heading + np.pi) % (2 * np.pi) - np.pi)
    rows = np.flatnonzero(over & (np.abs(side) < _HALF_WIDTH_M) & (turned < _HEADING_RAD))
    times = t_s[rows] + share[rows] * np.diff(t_s)[rows]
    out: list[float] = []
    for time in times.tolist():
        if not out or time - out[-1] >= _MIN_LAP_S:
            out.append(time)
    return out


def find_line(t_s: Floats, x_m: Floats, y_m: Floats, speed_mps: Floats) -> FinishLine | None:
    """Return the line that the path crosses most often and most regularly; None for a path that does not return."""
    good = np.isfinite(x_m) & np.isfinite(y_m) & np.isfinite(t_s)
    t, x, y = t_s[good], x_m[good], y_m[good]
    if len(t) < 20:
        return None
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    if way[-1] < 2 * _MIN_LAP_M:
        return None
    speed = np.nan_to_num(speed_mps[good])
    best: tuple[float, FinishLine] | None = None
    for at in np.linspace(0.02, 0.9, _ANCHORS) * way[-1]:
        i = int(np.searchsorted(way, at))
        # the heading over some metres, so that noise of place does not turn it
        j, k = int(np.searchsorted(way, at - 8.0)), min(int(np.searchsorted(way, at + 8.0)), len(way) - 1)
        if k <= j:
            continue
        line = FinishLine(float(x[i]), float(y[i]), math.atan2(y[k] - y[j], x[k] - x[j]))
        times = crossings(t, x, y, line)
        if len(times) < 2:
            continue
        lengths = np.diff(np.interp(times, t, way))
        if np.min(lengths) < _MIN_LAP_M:
            continue
        spread = float(np.std(lengths) / np.mean(lengths))
        # prefer more laps, then even ones, then speed, as a start line lies on a straight
        score = len(times) - 20.0 * spread + 0.5 * float(speed[i]) / (float(speed.max()) + 1e-9)
        if best is None or score > best[0]:
            best = (score, line)
    return best[1] if best else None


def by_times(t_s: Floats, times: list[float]) -> tuple[Floats, list[LapSpan]]:
    """Return the lap of each row, 0 before the first time, and the laps."""
    lap = np.searchsorted(np.array(times), t_s, side="right").astype(np.float64)
    return lap, _laps(t_s, times, 0)


def _laps(t_s: Floats, times: list[float], first: int) -> list[LapSpan]:
    edges = [float(t_s[0]), *times, float(t_s[-1])]
    return [
        LapSpan(first + i, start, end - start, 0 < i < len(edges) - 2) for i, (start, end) in enumerate(pairwise(edges))
    ]
