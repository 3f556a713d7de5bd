"""Cleans a recording: one monotonic clock, distinct positions, speed and direction at every position.

A recording may restart its clock, stand still, repeat positions (a feed that sends faster than it measures) or lack
samples. ``Recording`` keeps the whole table of channels and, apart from it, the positions, both on ``clock`` [s]: the
session time with restarts and teleports pushed apart, so it only ever increases.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from coach.core.columns import Columns, Floats
from coach.core.numeric.filled import FEWER, HELD_S, thinning, without_repeats
from coach.core.numeric.noise import (
    LONG,
    SPEED_MOTION,
    measured_stride,
    white_noise,
)
from coach.survey.errors import SurveyError
from coach.survey.smooth import cutoff_for, smooth
from feeds.frame import CHANNELS, RANGES

GAP_S: Final = 0.5
"""A longer gap [s] breaks the trace (and the lap)."""
_APART_S: Final = 30.0
LATERAL_MPS2: Final = 0.5
"""Target accuracy of the lateral acceleration [m/s2]: a few percent of what a car corners with."""
_LONGITUDINAL_MPS2: Final = 0.4
_PLACE_M: Final = 0.02
_FEWEST: Final = 50


@dataclass(frozen=True, eq=False)
class Recording:
    """The cleaned recording.

    ``clock`` and ``channels`` hold the kept frames, shapes (n,); ``chunk`` numbers unbroken pieces; ``breaks`` are the
    middles of the gaps between them, with names. ``speed`` [m/s] is smoothed, ``acceleration`` [m/s2] its derivative,
    ``odometer`` [m] its integral (running on over chunks). ``p_clock``, ``p_chunk``, ``x``, ``y`` (raw), ``xs``, ``ys``
    (smoothed), ``course`` [rad] belong to the m positions; m is 0 without positions. Positions that were filled in
    between the measured ones are left out; ``filled_hz`` is the rate at which they came [Hz], 0 if all were measured,
    ``measured_hz`` that at which they were measured. ``across_m`` and ``along_m`` are the noise of a position across
    and along the travel [m]; ``speed_noise`` [m/s].
    """

    clock: Floats
    channels: Columns
    chunk: NDArray[np.intp]
    breaks: tuple[tuple[float, str], ...]
    speed: Floats
    acceleration: Floats
    odometer: Floats
    p_clock: Floats
    p_chunk: NDArray[np.intp]
    x: Floats
    y: Floats
    xs: Floats
    ys: Floats
    course: Floats
    across_m: float
    along_m: float
    speed_noise: float
    has_speed: bool
    filled_hz: float = 0.0
    measured_hz: float = 0.0

    @property
    def has_positions(self) -> bool:
        """Whether there are positions, not only lap distance."""
        return len(self.p_clock) > 0

    @property
    def lateral_noise(self) -> float:
        """Noise of the smoothed lateral acceleration k * v^2 [m/s2]."""
        if not self.has_positions:
            return 0.0
        dt = 1.0 / self.rate_hz
        cutoff = cutoff_for(self.across_m, dt, LATERAL_MPS2, 2)
        return float(self.across_m * math.sqrt(dt * cutoff**5 / 18.0))

    @property
    def rate_hz(self) -> float:
        """Median rate of the positions (of the frames without them) [Hz]."""
        t = self.p_clock if self.has_positions else self.clock
        return float(1.0 / np.median(np.diff(t)))

    def session_time(self, clock: float) -> float:
        """Return the session time [s] at ``clock``."""
        i = int(np.clip(np.searchsorted(self.clock, clock, side="right") - 1, 0, len(self.clock) - 1))
        return float(self.channels["t_s"][i] + clock - self.clock[i])

    def value(self, channel: str, clock: Floats) -> Floats:
        """Return ``channel`` at ``clock``, linear between the frames that have it; all NaN if fewer than half do."""
        y = self.channels[channel]
        good = np.isfinite(y)
        if 2 * int(good.sum()) < len(y):
            return np.full(len(clock), np.nan)
        return np.interp(clock, self.clock[good], y[good])

    def held(self, channel: str, clock: Floats) -> Floats:
        """Return a count or flag at ``clock``: the last value before; NaN if there is none."""
        y = self.channels[channel]
        good = np.flatnonzero(np.isfinite(y))
        if not len(good):
            return np.full(len(clock), np.nan)
        i = np.searchsorted(self.clock[good], clock, side="right") - 1
        out: Floats = y[good][np.maximum(i, 0)]
        return out

    def odometer_at(self, clock: Floats) -> Floats:
        """Return the odometer [m] at ``clock``, interpolated by speed between frames."""
        i = np.clip(np.searchsorted(self.clock, clock, side="right") - 1, 0, len(self.clock) - 2)
        dt = clock - self.clock[i]
        step = self.clock[i + 1] - self.clock[i]
        slope = (self.speed[i + 1] - self.speed[i]) / step
        out: Floats = self.odometer[i] + dt * (self.speed[i] + 0.5 * slope * dt)
        return out


def tidy(columns: Columns) -> Recording:
    """Clean a recording; raise SurveyError if it is too short for a lap."""
    kept = _plausible(columns)
    has_xy = np.isfinite(kept["x_m"]) & np.isfinite(kept["y_m"])
    has_distance = np.isfinite(kept["lap_distance_m"]) | np.isfinite(kept["lap_fraction"])
    positions = int(has_xy.sum()) >= _FEWEST and 2 * int(has_xy.sum()) >= int(has_distance.sum())
    if not positions and int(has_distance.sum()) < _FEWEST:
        raise SurveyError(
            f"the recording has {int(has_xy.sum())} frames with a position and {int(has_distance.sum())} with a lap"
            f" distance; a survey needs at least {_FEWEST} of either"
        )
    kept, clock, chunk, breaks = _one_clock(kept)
    if len(clock) < _FEWEST:
        raise SurveyError(f"the recording has {len(clock)} frames in order of time, a survey needs {_FEWEST}")
    if not positions:
        return _without_positions(kept, clock, chunk, breaks)
    has_xy = np.isfinite(kept["x_m"]) & np.isfinite(kept["y_m"])
    moved = has_xy.copy()
    i = np.flatnonzero(has_xy)
    same = (np.diff(kept["x_m"][i]) == 0) & (np.diff(kept["y_m"][i]) == 0)
    moved[i[1:][same]] = False
    # a stationary car truly repeats its position: keep a few samples a second
    rest = np.flatnonzero(has_xy & ~moved)
    if len(rest):
        last = np.maximum.accumulate(np.where(moved, np.arange(len(moved)), -1))
        waited = clock[rest] - clock[np.maximum(last[rest], 0)]
        standing = rest[waited > HELD_S]
        moved[standing[:: max(1, int(0.1 / float(np.median(np.diff(clock)))))]] = True
    kept["speed_mps"][:] = without_repeats(clock, kept["speed_mps"], has_xy & ~moved)
    return _with_positions(kept, clock, chunk, breaks, np.flatnonzero(moved))


def _plausible(columns: Columns) -> Columns:
    """Return frames with a time; implausible values become absent."""
    kept = Columns(columns.data[:, np.isfinite(columns["t_s"])])
    kept.data[~np.isfinite(kept.data)] = np.nan
    for name, low, high, _ in RANGES:
        if name in CHANNELS:
            row = kept[name]
            with np.errstate(invalid="ignore"):
                row[(row < low) | (row > high)] = np.nan
    # an unused channel may be all zeros: a channel that never changes while driving is absent
    for group in (("x_m", "y_m"), ("lap_distance_m",), ("lap_fraction",), ("speed_mps",), ("throttle",)):
        rows = [kept[name] for name in group]
        if all(float(np.nanmax(r) - np.nanmin(r)) == 0.0 for r in rows if np.isfinite(r).any()):
            for r in rows:
                r[:] = np.nan
    return kept


def _one_clock(c: Columns) -> tuple[Columns, Floats, NDArray[np.intp], tuple[tuple[float, str], ...]]:
    t = c["t_s"]
    # drop late and duplicate frames; a step back of more than 1 s is a restart
    keep = np.ones(len(t), dtype=bool)
    newest = -math.inf
    steps = np.diff(t, prepend=t[:1] - 1.0)
    if bool(np.any(steps <= 0)):
        for i, now in enumerate(t.tolist()):
            if now <= newest and now > newest - 1.0:
                keep[i] = False
            else:
                newest = now
    c = c.where(keep)
    t = c["t_s"]
    if len(t) < 3:
        return c, t, np.zeros(len(t), dtype=np.intp), ()
    dt = np.diff(t)
    usual = float(np.median(dt))
    limit = max(GAP_S, 4.0 * usual)
    cause = np.full(len(dt), "", dtype=object)
    cause[dt > limit] = "gap"
    cause[dt < 0] = "restart"
    jump = np.hypot(np.diff(c["x_m"]), np.diff(c["y_m"]))
    v = np.fmax(np.nan_to_num(c["speed_mps"][:-1]), np.nan_to_num(c["speed_mps"][1:]))
    v = np.where(np.isfinite(c["speed_mps"][:-1]), v, 100.0)
    with np.errstate(invalid="ignore"):
        # 10 m allow for position noise
        teleport = jump > 1.5 * v * np.maximum(dt, usual) + 10.0
    # a feed may repeat a position for a while and then catch up: a lower rate, not a teleport
    teleport &= jump > 1.5 * v * 0.25 + 10.0
    cause[teleport & (cause == "")] = "teleport"
    broken = cause != ""
    step = np.where(broken, np.where(cause == "gap", dt, _APART_S), dt)
    clock = np.concatenate([[0.0], np.cumsum(step)]) + t[0]
    chunk = np.concatenate([[0], np.cumsum(broken)]).astype(np.intp)
    breaks = tuple(
        (float(clock[i] + 0.5 * step[i]), f"a gap of {dt[i]:.1f} s" if cause[i] == "gap" else f"a {cause[i]}")
        for i in np.flatnonzero(broken)
    )
    return c, clock, chunk, breaks


def pieces(chunk: NDArray[np.intp]) -> list[slice]:
    """Return the unbroken pieces as slices."""
    cut = np.flatnonzero(np.diff(chunk)) + 1
    edges = [0, *cut.tolist(), len(chunk)]
    return [slice(a, b) for a, b in pairwise(edges) if b > a]


def _speed_of(clock: Floats, raw: Floats, chunk: NDArray[np.intp]) -> tuple[Floats, Floats, Floats, float]:
    """Return smoothed speed, acceleration, odometer and noise from a speed that may lack samples."""
    good = np.isfinite(raw)
    v = np.interp(clock, clock[good], raw[good])
    dt = float(np.median(np.diff(clock)))
    stride, noise = measured_stride(v, dt, SPEED_MOTION)
    cutoff = cutoff_for(noise, stride * dt, _LONGITUDINAL_MPS2, 1)
    speed, acceleration, odometer = np.empty_like(v), np.zeros_like(v), np.empty_like(v)
    ran = 0.0
    for piece in pieces(chunk):
        t = clock[piece]
        speed[piece] = np.maximum(smooth(t, v[piece], cutoff), 0.0)
        # the mean of the raw speed gives the distance; smoothing preserves it
        step = np.diff(t) * 0.5 * (speed[piece][1:] + speed[piece][:-1])
        odometer[piece] = ran + np.concatenate([[0.0], np.cumsum(step)])
        ran = float(odometer[piece][-1])
        if len(t) > 2:
            acceleration[piece] = np.gradient(speed[piece], t)
    return speed, acceleration, odometer, noise


def _with_positions(
    c: Columns, clock: Floats, chunk: NDArray[np.intp], breaks: tuple[tuple[float, str], ...], at: NDArray[np.intp]
) -> Recording:
    rate = 1.0 / float(np.median(np.diff(clock)))
    stride, measured = thinning(clock[at], np.column_stack([c["x_m"][at], c["y_m"][at]]))
    at = at[::stride]
    tp, cp = clock[at], chunk[at]
    x, y = c["x_m"][at].copy(), c["y_m"][at].copy()
    dt = float(np.median(np.diff(tp)))
    filled = rate if rate > FEWER * measured else 0.0
    has_speed = 2 * int(np.isfinite(c["speed_mps"]).sum()) > len(clock)
    # a first course, to separate noise across the travel from noise along it
    xs, ys, course, v = _path(tp, cp, x, y, cutoff_for(_rough(x, y), dt, LATERAL_MPS2, 2))
    d = np.diff(np.column_stack([x, y]), n=5, axis=0)
    mid = course[2:-3]
    moving = v[2:-3] > 5.0
    across, along = _split_noise(d[moving], mid[moving]) if int(moving.sum()) > 30 else (_rough(x, y), 0.0)
    xs, ys, course, v = _path(tp, cp, x, y, cutoff_for(across, dt, LATERAL_MPS2, 2))
    raw = c["speed_mps"] if has_speed else np.interp(clock, tp, v)
    speed, acceleration, odometer, noise = _speed_of(clock, raw, chunk)
    return Recording(
        clock=clock, channels=c, chunk=chunk, breaks=breaks, speed=speed, acceleration=acceleration, odometer=odometer,
        p_clock=tp, p_chunk=cp, x=x, y=y, xs=xs, ys=ys, course=course,
        across_m=across, along_m=along, speed_noise=noise, has_speed=has_speed, filled_hz=filled,
        measured_hz=measured if filled else rate,
    )  # fmt: skip


def _rough(x: Floats, y: Floats) -> float:
    return white_noise(np.column_stack([x, y]), LONG)


def _split_noise(d: Floats, course: Floats) -> tuple[float, float]:
    scale = 0.67449 * math.sqrt(math.comb(10, 5))
    cos, sin = np.cos(course), np.sin(course)
    along = np.median(np.abs(d[:, 0] * cos + d[:, 1] * sin)) / scale
    across = np.median(np.abs(d[:, 1] * cos - d[:, 0] * sin)) / scale
    return float(across), float(along)


def _path(
    t: Floats, chunk: NDArray[np.intp], x: Floats, y: Floats, cutoff: float
) -> tuple[Floats, Floats, Floats, Floats]:
    xs, ys, course, v = x.copy(), y.copy(), np.zeros_like(x), np.zeros_like(x)
    for piece in pieces(chunk):
        if piece.stop - piece.start < 4:
            continue
        xy = smooth(t[piece], np.column_stack([x[piece], y[piece]]), cutoff)
        rate = CubicSpline(t[piece], xy)(t[piece], 1)
        xs[piece], ys[piece] = xy[:, 0], xy[:, 1]
        course[piece] = np.arctan2(rate[:, 1], rate[:, 0])
        v[piece] = np.hypot(rate[:, 0], rate[:, 1])
    return xs, ys, course, v


def _without_positions(
    c: Columns, clock: Floats, chunk: NDArray[np.intp], breaks: tuple[tuple[float, str], ...]
) -> Recording:
    v = c["speed_mps"]
    has_speed = 2 * int(np.isfinite(v).sum()) > len(v)
    if not has_speed:
        d = c["lap_distance_m"]
        if not np.isfinite(d).any():
            raise SurveyError("the recording has a lap fraction, but neither speed nor position to turn it into metres")
        rate = np.gradient(np.where(np.isfinite(d), d, np.nan), clock)
        with np.errstate(invalid="ignore"):
            v = np.where((rate >= 0) & (rate < 150), rate, np.nan)  # ignore the reset at the line
    speed, acceleration, odometer, noise = _speed_of(clock, v, chunk)
    none = np.empty(0)
    return Recording(
        clock=clock, channels=c, chunk=chunk, breaks=breaks, speed=speed, acceleration=acceleration, odometer=odometer,
        p_clock=none, p_chunk=np.empty(0, dtype=np.intp), x=none, y=none, xs=none, ys=none, course=none,
        across_m=0.0, along_m=0.0, speed_noise=noise, has_speed=has_speed,
    )  # fmt: skip
