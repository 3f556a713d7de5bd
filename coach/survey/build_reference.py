"""Builds the reference of one lap: its smoothed line on an even grid of about 1 m, with the time at each node.

The line comes from the smoothed positions, a little before and after the lap included. Where a closed lap ends beside
its own start, both ends are bent to meet in position and direction over BLEND_M. The time at a node comes from the
odometer (integrated speed) corrected by the line's own arc length: speed is more accurate over short stretches,
position over long ones; the position noise sets the boundary.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.interpolate import CubicSpline

from coach.core.columns import Floats
from coach.core.measure.pedals import done_by_car, pedals_of, scale_from
from coach.core.numeric.noise import LONG, white_noise
from coach.core.numeric.smoothing import fade
from coach.core.track.reference import Reference
from coach.survey.laps import Lap
from coach.survey.smooth import cutoff_for, smooth
from coach.survey.trace import Recording

BLEND_M: Final = 100.0
_FINE_M: Final = 0.25
_PLACE_M: Final = 0.02
_HEIGHT_M: Final = 0.1
MOVING_MPS: Final = 5.0
FEWEST_MOVING: Final = 20
"""Pedals are inferred from at least so many samples of a car that moves."""


def build(trace: Recording, lap: Lap, circuit: str = "", closed: bool = True) -> Reference:
    """Return the reference of ``lap``; edges are NaN until ``edges.with_edges`` sets them."""
    if trace.has_positions:
        x, y, clock = _line(trace, lap, closed)
    else:
        x, y, clock = _by_distance(trace, lap)
    n = len(x) if not closed else len(x) - 1
    none = np.full(n, np.nan)
    length = _length(trace, lap, x, y)
    # for a closed lap the last fine place is node 0 again: omit it
    at = clock[:n]
    heading, curvature = (none, none) if not trace.has_positions else _shape(x, y, length, closed)
    speed = np.interp(at, trace.clock, trace.speed)
    throttle, brake = trace.value("throttle", at), trace.value("brake", at)
    z = _height(trace, at)
    inferred = bool(np.isnan(throttle).all() or np.isnan(brake).all())
    if inferred:
        guess = _inferred_pedals(trace, at, z, length / (n if closed else n - 1))
        throttle = guess[0] if np.isnan(throttle).all() else throttle
        brake = guess[1] if np.isnan(brake).all() else brake
    return Reference(
        circuit=circuit, closed=closed, step_m=length / (n if closed else n - 1), length_m=length,
        lap_time_s=lap.time_s, t_s=at - lap.start, x_m=x[:n] + 0.0 * y[:n], y_m=y[:n], z_m=z, heading_rad=heading,
        curvature_pm=curvature, speed_mps=speed, throttle=throttle, brake=brake, gear=trace.held("gear", at),
        left_m=none, right_m=none, inferred_pedals=inferred,
    )  # fmt: skip


def _inferred_pedals(trace: Recording, at: Floats, z_m: Floats, step_m: float) -> tuple[Floats, Floats]:
    """Return throttle and brake, 0..1, at the clock times ``at`` of the nodes, by the scale of the whole recording."""
    moving = trace.speed > MOVING_MPS
    speeds = trace.speed[moving]
    if len(speeds) < FEWEST_MOVING:
        return np.full(len(at), np.nan), np.full(len(at), np.nan)
    scale = scale_from(speeds, done_by_car(trace.acceleration[moving], speeds))
    v = np.interp(at, trace.clock, trace.speed)
    slope = np.gradient(z_m, step_m) if np.isfinite(z_m).all() else 0.0
    return pedals_of(v, done_by_car(np.interp(at, trace.clock, trace.acceleration), v, slope), scale)


def _length(trace: Recording, lap: Lap, x: Floats, y: Floats) -> float:
    if trace.has_positions:
        return float(_arc(x, y)[-1])
    return float(x[-1])


def _arc(x: Floats, y: Floats) -> Floats:
    """Return arc length at each point, the chords corrected by the turn between them (chord = arc * (1 -
    turn^2 / 24)).
    """
    dx, dy = np.diff(x), np.diff(y)
    chord = np.hypot(dx, dy)
    heading = np.unwrap(np.arctan2(dy, dx))
    turn = np.gradient(heading) if len(heading) > 1 else np.zeros_like(chord)
    return np.concatenate([[0.0], np.cumsum(chord * (1.0 + turn**2 / 24.0))])


def _line(trace: Recording, lap: Lap, closed: bool) -> tuple[Floats, Floats, Floats]:
    """Return nodes 0..n (n is node 0 again if closed) and the clock at each."""
    t = trace.p_clock
    i, j = np.searchsorted(t, [lap.start - 2.0, lap.stop + 2.0])
    i, j = max(int(i), 0), min(int(j), len(t))
    chunk = trace.p_chunk[np.clip(np.searchsorted(t, 0.5 * (lap.start + lap.stop)), 0, len(t) - 1)]
    own = np.flatnonzero(trace.p_chunk[i:j] == chunk) + i
    at, path = t[own], np.column_stack([trace.xs[own], trace.ys[own]])
    spline = CubicSpline(at, path)
    if closed and lap.short_m:
        # the record ends before the line: the lap ends where it began
        spline = CubicSpline(np.append(at, lap.stop), np.vstack([path, spline(lap.start)]))
    v = max(lap.length_m / lap.time_s, 1.0)
    fine = np.linspace(lap.start, lap.stop, max(int(lap.time_s * v / _FINE_M * 1.5), 200))
    xy = spline(fine)
    if closed:
        xy = _joined(xy, spline(lap.start, 1), spline(lap.stop, 1))
    s = _arc(xy[:, 0], xy[:, 1])
    length = float(s[-1])
    place = _fused(trace, lap, fine, s)
    n = round(length)
    node = np.linspace(0.0, length, n + 1)
    shape = CubicSpline(*_strictly(s, xy))(node)
    clock = np.interp(node, *_strictly(place, fine))
    return shape[:, 0], shape[:, 1], clock


def _strictly(s: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Keep points where ``s`` grows by at least 1 cm: a stationary car adds none."""
    s = np.maximum.accumulate(s)
    step = np.floor(s / 0.01)
    keep = np.concatenate([[True], np.diff(step) > 0])
    keep[-1] = True
    last = np.flatnonzero(keep)
    if len(last) > 2 and s[last[-1]] - s[last[-2]] < 1e-6:
        keep[last[-2]] = False
    return s[keep], y[keep]


def _joined(xy: Floats, leaving: Floats, arriving: Floats) -> Floats:
    """Bend both ends to meet in position and direction (half of the misfit each)."""
    way = _arc(xy[:, 0], xy[:, 1])
    length = way[-1]
    reach = min(BLEND_M, length / 10)
    miss = xy[-1] - xy[0]
    turn = arriving / np.hypot(*arriving) - leaving / np.hypot(*leaving)
    out = xy.copy()
    for from_seam, sign in ((way, 0.5), (length - way, -0.5)):
        rest = 1.0 - fade(np.clip(from_seam / reach, 0.0, 1.0))
        side = 1.0 if sign > 0 else -1.0
        out += sign * rest[:, None] * (miss + side * np.outer(from_seam, turn))
    return out


def _fused(trace: Recording, lap: Lap, fine: Floats, s: Floats) -> Floats:
    """Return place along the line at each fine time."""
    odometer = trace.odometer_at(fine)
    drive = odometer - odometer[0]
    if drive[-1] <= 0:
        return s
    drive *= s[-1] / drive[-1]
    i, j = np.searchsorted(trace.p_clock, [lap.start, lap.stop])
    dt = float(np.median(np.diff(trace.p_clock[i:j])))
    cutoff = cutoff_for(trace.along_m, dt, _PLACE_M, 0)
    rest = smooth(fine, s - drive, cutoff) if trace.along_m > 0.005 else s - drive
    rest = rest - np.interp(fine, fine[[0, -1]], rest[[0, -1]])
    return np.asarray(drive + rest, dtype=np.float64)


def _shape(x: Floats, y: Floats, length: float, closed: bool) -> tuple[Floats, Floats]:
    """Return heading (unwrapped) and curvature at the nodes, from a cubic spline through them."""
    s = np.linspace(0.0, length, len(x))
    xy = np.column_stack([x, y])
    if closed:
        xy[-1] = xy[0]
        spline = CubicSpline(s, xy, bc_type="periodic")
        s = s[:-1]
    else:
        spline = CubicSpline(s, xy)
    d, dd = spline(s, 1), spline(s, 2)
    heading = np.unwrap(np.arctan2(d[:, 1], d[:, 0]))
    curvature = (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0]) / (d[:, 0] ** 2 + d[:, 1] ** 2) ** 1.5
    return heading, curvature


def _height(trace: Recording, at: Floats) -> Floats:
    z = trace.channels["z_m"]
    good = np.isfinite(z)
    if 2 * int(good.sum()) < len(z):
        return np.full(len(at), np.nan)
    i, j = np.searchsorted(trace.clock, [at[0] - 2.0, at[-1] + 2.0])
    t, z, good = trace.clock[i:j], z[i:j], good[i:j]
    if int(good.sum()) < 30:
        return np.full(len(at), np.nan)
    t, z = t[good], z[good]
    noise = white_noise(z, LONG)
    return np.interp(at, t, smooth(t, z, cutoff_for(noise, float(np.median(np.diff(t))), _HEIGHT_M, 0)))


def _by_distance(trace: Recording, lap: Lap) -> tuple[Floats, Floats, Floats]:
    """Return the nodes from the lap distance (or fraction, or else the odometer); y is NaN, x holds the places."""
    i, j = np.searchsorted(trace.clock, [lap.start, lap.stop])
    t = trace.clock[i:j]
    d, f = trace.channels["lap_distance_m"][i:j], trace.channels["lap_fraction"][i:j]
    drive = trace.odometer_at(t) - trace.odometer_at(np.array([lap.start]))[0]
    if np.isfinite(d).sum() > 0.5 * len(d):
        place = d - _at_start(t, d, lap.start)
    elif np.isfinite(f).sum() > 0.5 * len(f):
        place = f * lap.length_m
    else:
        place = drive
    good = np.isfinite(place)
    rest = np.interp(t, t[good], (place - drive)[good])
    total = float(np.diff(trace.odometer_at(np.array([lap.start, lap.stop])))[0])
    fine = np.linspace(lap.start, lap.stop, max(int(total / _FINE_M), 200))
    s = trace.odometer_at(fine) - trace.odometer_at(fine[:1])[0] + np.interp(fine, t, rest)
    s = np.maximum.accumulate(s - s[0])
    length = float(s[-1])
    node = np.linspace(0.0, length, round(length) + 1)
    return node, np.full(len(node), np.nan), np.interp(node, *_strictly(s, fine))


def _at_start(t: Floats, d: Floats, start: float) -> float:
    """Return the lap distance at the line: 0 if it resets there, else its own value (a running count)."""
    known = np.isfinite(d)
    t, d = t[known], d[known]
    return 0.0 if abs(d[0]) < 30.0 else float(np.interp(start, t, d))
