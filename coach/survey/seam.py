"""The finish line: its position, and the time of each passage to a fraction of a sample.

A feed that counts laps (or resets its lap distance) shows the sample interval of the line. Over several laps these
intervals overlap in far less than one; the line is the middle of the overlap, across the mean direction of travel.
Passages are then found from positions, so a lap time does not carry the sampling.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.measure.trace import SHORT_M
from coach.core.numeric.smoothing import time_for
from coach.core.track.reference import Reference
from coach.survey.smooth import cutoff_for
from coach.survey.trace import Recording, pieces

GATE_M: Final = 25.0
"""Half the width of the gate across the track at the line [m]."""
_APART_M: Final = 150.0
"""Two passages closer than this [m] are one (a spin on the line)."""
_MOVING: Final = 3.0


@dataclass(frozen=True)
class Seam:
    """A finish line: a point on it, the direction of travel across it [rad]."""

    x_m: float
    y_m: float
    heading_rad: float

    def along(self, x: Floats, y: Floats) -> Floats:
        """Return metres past the line."""
        out: Floats = (x - self.x_m) * math.cos(self.heading_rad) + (y - self.y_m) * math.sin(self.heading_rad)
        return out

    def across(self, x: Floats, y: Floats) -> Floats:
        """Return the metres to the left of the point."""
        out: Floats = (y - self.y_m) * math.cos(self.heading_rad) - (x - self.x_m) * math.sin(self.heading_rad)
        return out

    def faces(self, course: Floats) -> NDArray[np.bool_]:
        """Return whether a course lies within 60 degrees of the direction of travel."""
        out: NDArray[np.bool_] = np.cos(course - self.heading_rad) > 0.5
        return out


@dataclass(frozen=True)
class Passage:
    """One passage of the line at ``clock`` [s]; ``edge`` is true just outside a broken piece.

    ``short_m`` is the distance from the record's end to the line [m], 0 if it reaches the line within a few samples.
    """

    clock: float
    edge: str = ""
    short_m: float = 0.0


def seam_of(reference: Reference) -> Seam | None:
    """Return the line of an earlier survey, so that laps stay comparable; None without a line."""
    if not reference.has_line:
        return None
    return Seam(float(reference.x_m[0]), float(reference.y_m[0]), float(reference.heading_rad[0]))


def counted(trace: Recording) -> NDArray[np.intp]:
    """Return frames i with the line between i and i + 1 by the feed's lap count or lap distance."""
    for found in (resets(trace), _increments(trace)):
        if len(found):
            return found
    return np.empty(0, dtype=np.intp)


def resets(trace: Recording) -> NDArray[np.intp]:
    """Return frames i after which the lap distance (or fraction) resets at the line."""
    for name in ("lap_distance_m", "lap_fraction"):
        d = trace.channels[name]
        good = np.flatnonzero(np.isfinite(d))
        if 2 * len(good) < len(d):
            continue
        reach = float(np.quantile(d[good], 0.99))
        fell = (np.diff(d[good]) < -0.5 * reach) & (d[good][1:] < 0.2 * reach)
        i = good[:-1][fell]
        close = good[1:][fell] - i <= 3
        i = i[close]
        same = trace.chunk[i] == trace.chunk[np.minimum(i + 1, len(d) - 1)]
        return np.asarray(i[same & (trace.speed[i] > _MOVING)], dtype=np.intp)
    return np.empty(0, dtype=np.intp)


def _increments(trace: Recording) -> NDArray[np.intp]:
    lap = trace.channels["lap"]
    if 2 * int(np.isfinite(lap).sum()) < len(lap):
        return np.empty(0, dtype=np.intp)
    lap = trace.held("lap", trace.clock)
    same = trace.chunk[1:] == trace.chunk[:-1]
    return np.asarray(np.flatnonzero((np.diff(lap) == 1) & same & (trace.speed[:-1] > _MOVING)), dtype=np.intp)


def counted_seam(trace: Recording, at: NDArray[np.intp]) -> Seam | None:
    """Return the line from counted passages; None if they do not agree."""
    if not len(at):
        return None
    before, after = trace.clock[at], trace.clock[at + 1]
    share = _share(trace, at)
    middle = before + share * (after - before)
    x, y = np.interp(middle, trace.p_clock, trace.xs), np.interp(middle, trace.p_clock, trace.ys)
    near = np.hypot(x - np.median(x), y - np.median(y)) < 60.0
    if 2 * int(near.sum()) < len(at):
        return None
    before, after, x, y, share = before[near], after[near], x[near], y[near], share[near]
    i = np.clip(np.searchsorted(trace.p_clock, middle[near]), 0, len(trace.p_clock) - 1)
    mean = complex(np.mean(np.exp(1j * trace.course[i])))
    seam = Seam(float(np.median(x)), float(np.median(y)), math.atan2(mean.imag, mean.real))
    low = seam.along(np.interp(before, trace.p_clock, trace.xs), np.interp(before, trace.p_clock, trace.ys))
    high = seam.along(np.interp(after, trace.p_clock, trace.xs), np.interp(after, trace.p_clock, trace.ys))
    if np.all(share == 0.5):
        shift = 0.5 * float(low.max() + high.min()) if low.max() < high.min() else float(np.median(0.5 * (low + high)))
    else:
        shift = float(np.median(seam.along(x, y)))
    return Seam(
        seam.x_m + shift * math.cos(seam.heading_rad), seam.y_m + shift * math.sin(seam.heading_rad), seam.heading_rad
    )


def _share(trace: Recording, at: NDArray[np.intp]) -> Floats:
    """Return the line's position within the interval by the lap distance after it; 0.5 if unknown."""
    if not len(at):
        return np.empty(0)
    d = trace.channels["lap_distance_m"]
    f = trace.channels["lap_fraction"]
    gap = trace.clock[at + 1] - trace.clock[at]
    way = 0.5 * (trace.speed[at] + trace.speed[at + 1]) * gap
    with np.errstate(invalid="ignore", divide="ignore"):
        by_metres = 1.0 - d[at + 1] / way
        by_fraction = (1.0 - f[at]) / (1.0 - f[at] + f[at + 1])
    reset = np.isin(at, resets(trace))
    for share in (by_metres, by_fraction):
        if reset.all() and np.isfinite(share).all() and np.mean((share > -0.2) & (share < 1.2)) > 0.8:
            return np.clip(share, 0.0, 1.0)
    return np.full(len(at), 0.5)


def passages_without_positions(trace: Recording, at: NDArray[np.intp]) -> list[Passage]:
    """Return the passages from lap distance (exact) or lap count (half a sample)."""
    gap = trace.clock[at + 1] - trace.clock[at]
    share = _share(trace, at)
    found = [Passage(float(c)) for c in trace.clock[at] + share * gap]
    d = trace.channels["lap_distance_m"]
    if not np.isfinite(d).any():
        d = trace.channels["lap_fraction"] * _metres_per_fraction(trace)
    # the distance at the line, between the last sample before it and the first after
    shown = d[at] + share * gap * trace.speed[at]
    shown = shown[np.isfinite(shown)]
    length = float(np.median(shown)) if len(shown) else float(np.nanmax(d)) if np.isfinite(d).any() else math.nan
    edges = np.flatnonzero(np.diff(trace.chunk))
    dt = float(np.median(np.diff(trace.clock)))
    for first in [0, *(edges + 1).tolist()]:
        v = trace.speed[first]
        if v > _MOVING and 0 <= d[first] <= 2.5 * v * dt:
            found.append(Passage(float(trace.clock[first] - d[first] / v), "start"))
    for last in [*edges.tolist(), len(trace.clock) - 1]:
        end = _beyond(trace, float(trace.clock[last]), float(length - d[last]), 2.5 * trace.speed[last] * dt)
        if end is not None:
            found.append(end)
    return sorted(found, key=lambda p: p.clock)


def _metres_per_fraction(trace: Recording) -> float:
    f = trace.channels["lap_fraction"]
    good = np.flatnonzero(np.isfinite(f))
    step_f, step_m = np.diff(f[good]), np.diff(trace.odometer[good])
    on = (step_f > 0) & (step_f < 0.1)
    return float(step_m[on].sum() / step_f[on].sum()) if on.any() else math.nan


def straight_seam(trace: Recording) -> Seam | None:
    """Return a line in the middle of the longest straight that is driven most often; None if no place occurs twice."""
    runs: list[tuple[float, int]] = []
    for piece in pieces(trace.p_chunk):
        t, course = trace.p_clock[piece], np.unwrap(trace.course[piece])
        if len(t) < 10:
            continue
        v = np.hypot(np.gradient(trace.xs[piece], t), np.gradient(trace.ys[piece], t))
        turn = np.abs(np.gradient(course, t)) / np.maximum(v, _MOVING)
        straight = (turn < 0.002) & (v > 5.0)
        edge = np.flatnonzero(np.diff(np.concatenate([[0], straight.astype(np.int8), [0]])))
        way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(trace.xs[piece]), np.diff(trace.ys[piece])))])
        for a, b in zip(edge[::2], edge[1::2], strict=True):
            middle = int(np.searchsorted(way, 0.5 * (way[a] + way[b - 1])))
            runs.append((float(way[b - 1] - way[a]), piece.start + min(middle, len(t) - 1)))
    runs.sort(reverse=True)
    best: tuple[int, Seam] | None = None
    for _, i in runs[:12]:
        seam = Seam(float(trace.xs[i]), float(trace.ys[i]), float(trace.course[i]))
        when = np.array([p.clock for p in passages(trace, seam, edges=False)])
        # runs of a hill climb pass a place once each, with breaks: only a circuit passes it twice without a break
        held = trace.p_chunk[np.clip(np.searchsorted(trace.p_clock, when), 0, len(trace.p_chunk) - 1)]
        times = int(np.unique(held, return_counts=True)[1].max(initial=0))
        if times >= 2 and (best is None or times > best[0] + 1):
            best = (times, seam)
    return best[1] if best else None


def closing_seam(trace: Recording) -> Seam | None:
    """Return the line at the very start of a recording that ends where it began, at speed; None if it does not."""
    for piece in pieces(trace.p_chunk):
        x, y, t = trace.xs[piece], trace.ys[piece], trace.p_clock[piece]
        if len(t) < 100 or np.hypot(np.diff(x), np.diff(y)).sum() < 300.0:
            continue
        v = math.hypot(x[1] - x[0], y[1] - y[0]) / (t[1] - t[0])
        seam = Seam(float(x[0]), float(y[0]), float(trace.course[piece][0]))
        short = -float(seam.along(x[-1:], y[-1:])[0])
        near = abs(float(seam.across(x[-1:], y[-1:])[0])) < GATE_M
        slack = max(2.5 * v * float(np.median(np.diff(t))), 6.0 * trace.along_m)
        facing = seam.faces(trace.course[piece][-1:])[0]
        if v > 5.0 and near and facing and -slack <= short <= max(slack, SHORT_M):
            return seam
    return None


def passages(trace: Recording, seam: Seam, edges: bool = True) -> list[Passage]:
    """Return all passages of the line in the direction of travel, in order of time."""
    u, w = seam.along(trace.xs, trace.ys), seam.across(trace.xs, trace.ys)
    ok = (np.abs(w) < GATE_M) & seam.faces(trace.course)
    same = trace.p_chunk[1:] == trace.p_chunk[:-1]
    i = np.flatnonzero((u[:-1] < 0) & (u[1:] >= 0) & ok[:-1] & ok[1:] & same)
    found: list[Passage] = []
    last = -math.inf
    for k in i.tolist():
        way = float(np.interp(trace.p_clock[k], trace.clock, trace.odometer))
        if way - last < _APART_M:
            continue
        last = way
        found.append(Passage(_refined(trace, seam, u, k)))
    if edges:
        found += _edges(trace, seam, u, ok)
    return sorted(found, key=lambda p: p.clock)


def _edges(trace: Recording, seam: Seam, u: Floats, ok: NDArray[np.bool_]) -> list[Passage]:
    """Return the passages at most 2.5 samples outside a piece: recordings are often cut at the line."""
    found = []
    cut = np.flatnonzero(np.diff(trace.p_chunk))
    dt = float(np.median(np.diff(trace.p_clock)))
    slack = 3.0 * trace.along_m
    for first in [0, *(cut + 1).tolist()]:
        v = float(np.interp(trace.p_clock[first], trace.clock, trace.speed))
        if ok[first] and v > _MOVING and 0 <= u[first] <= 2.5 * v * dt + slack:
            found.append(Passage(float(trace.p_clock[first] - u[first] / v), "start"))
    for last in [*cut.tolist(), len(u) - 1]:
        v = float(np.interp(trace.p_clock[last], trace.clock, trace.speed))
        end = _beyond(trace, float(trace.p_clock[last]), float(-u[last]), 2.5 * v * dt + slack) if ok[last] else None
        if end is not None:
            found.append(end)
    return found


def _beyond(trace: Recording, clock: float, short_m: float, near_m: float) -> Passage | None:
    """Return the passage ``short_m`` [m] after a record's end at ``clock`` [s], extrapolated by speed and acceleration.

    None if the end is not before the line, too far from it (over ``near_m`` and SHORT_M), or too slow.
    """
    last = max(int(np.searchsorted(trace.clock, clock, side="right")) - 1, 0)
    v, slope = float(trace.speed[last]), float(trace.acceleration[last])
    if not 0 < short_m <= max(near_m, SHORT_M) or v <= _MOVING:
        return None
    if short_m <= near_m:
        return Passage(clock + short_m / v, "end")
    took = time_for(short_m, v, slope)
    return Passage(clock + took, "end", short_m) if math.isfinite(took) else None


def _refined(trace: Recording, seam: Seam, u: Floats, k: int) -> float:
    """Return the passage between positions k and k + 1, from raw positions and the speed around it.

    The distance past the line is the odometer plus a slow remainder; the remainder is fitted by a parabola (local,
    tricube weights) over a window that grows with the noise, from a few samples for clean positions to 1 s.
    """
    t = trace.p_clock
    start = float(t[k] + (t[k + 1] - t[k]) * -u[k] / (u[k + 1] - u[k]))
    dt = float(np.median(np.diff(t)))
    half = max(min(3.0 / cutoff_for(trace.along_m, dt, 0.02, 0), 1.0), 3.5 * dt)
    a, b = np.searchsorted(t, [start - half, start + half])
    i = np.arange(a, b)
    i = i[trace.p_chunk[i] == trace.p_chunk[k]]
    if len(i) < 5:
        return start
    h = t[i] - start
    home = trace.odometer_at(np.array([start]))[0]
    rest = seam.along(trace.x[i], trace.y[i]) - (trace.odometer_at(t[i]) - home)
    weight = (1.0 - np.abs(h / (half * 1.001)) ** 3) ** 1.5
    curve = np.polynomial.Polynomial.fit(h, rest, 2, w=weight)
    now = start
    for _ in range(5):
        past = float(trace.odometer_at(np.array([now]))[0] - home + curve(now - start))
        now -= past / max(float(np.interp(now, trace.clock, trace.speed)), 1.0)
    return now if abs(now - start) < 2 * half else start
