"""Locates the car: place along the reference, offset from it, and certainty.

While tracking, the locator projects a frame near the place predicted from the last one and the speed. It skips a result
that does not fit (a jump, far off the line), and after LOST_AFTER_S of them the car is lost. It re-acquires a lost car
by position and direction of travel, and only if no other piece of track is about as near. So it never jumps to a
neighbouring or crossing piece of track: the car must be lost first and then drive along the other one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Columns, Floats
from coach.core.track.projection import ReferenceLine
from coach.core.track.reference import Reference
from feeds.frame import CHANNELS

_T, _X, _Y, _V, _S, _PART = (
    CHANNELS.index(name) for name in ("t_s", "x_m", "y_m", "speed_mps", "lap_distance_m", "lap_fraction")
)
LOST_AFTER_S: Final = 0.5
SURE_AFTER_S: Final = 1.0
JUMP_M: Final = 8.0
"""Largest deviation of one step from the speed [m]; beyond it the frame is skipped."""
FAR_M: Final = 20.0
"""Farther off the line than this the car is not on this track [m]."""
BESIDE_M: Final = 15.0
"""Farther off the line than this the car is beside the track: tracked without speech [m]."""
NEAR_M: Final = 3.0
"""Prediction error within which the only nearby place is certain [m]."""
BACK_M: Final = 10.0
SLOW_MPS: Final = 3.0
"""Moving back this far along the line, faster than this, means another piece of track."""
REACH_M: Final = 20.0
TWIN_M: Final = 6.0
"""A second piece of track at most this much farther away makes the place ambiguous [m]."""


@dataclass(frozen=True)
class Fixes:
    """Located frames, arrays of shape (n,): ``u_m`` is the distance driven since lap 0's line (laps count on).

    ``row`` is the index of each located frame in the chunk given. ``sure`` is true once tracking has lasted
    SURE_AFTER_S: no speech before. ``offset_m`` left positive, NaN without a line. ``speed_mps`` repeats the last speed
    over frames without one.
    """

    row: NDArray[np.intp]
    t_s: Floats
    u_m: Floats
    offset_m: Floats
    speed_mps: Floats
    sure: NDArray[np.bool_]


class Fix(NamedTuple):
    """One located frame, in plain floats: as a row of :class:`Fixes`."""

    t_s: float
    u_m: float
    offset_m: float
    speed_mps: float
    sure: bool

    def fixes(self) -> Fixes:
        """Return the same as arrays of one, for frame 0 of a chunk."""
        one = np.array(self[:4])
        return Fixes(np.zeros(1, dtype=np.intp), one[:1], one[1:2], one[2:3], one[3:], np.array([self.sure]))


class Locator:
    """Tracks one car along one reference; ``lost`` is true while its place is unknown."""

    def __init__(self, reference: Reference) -> None:
        self.reference = reference
        self.length_m = reference.length_m
        self.line = ReferenceLine(reference) if reference.has_line else None
        self.reset()

    def reset(self) -> None:
        """Forget everything: a restart, a teleport."""
        self.lost = True
        self._t = 0.0
        self._u = 0.0
        self._v = 0.0
        self._good_t = 0.0
        self._since_t = 0.0
        self._front = 0.0
        self._block = 64
        self._trail: list[tuple[float, float, float]] = []

    def lost_now(self) -> bool:
        """Return whether the car is lost after the last frame."""
        return self.lost

    def locate(self, chunk: Columns) -> list[tuple[Fixes, str]]:
        """Return the fixes of a chunk in runs, each with the event before it: "" (tracking continues), "found" or
        "lost".

        A run "lost" is empty and marks the end of tracking.
        """
        out: list[tuple[Fixes, str]] = []
        start, n = 0, len(chunk)
        while start < n:
            if self.lost:
                start, fix = self._acquire(chunk, start)
                if fix is not None:
                    out.append((fix, "found"))
                continue
            fixes, start = self._track(chunk, start)
            if len(fixes.row):
                out.append((fixes, ""))
            if self.lost_now():
                out.append((_none(), "lost"))
        return out

    def _track(self, chunk: Columns, start: int) -> tuple[Fixes, int]:
        """Follow the line from ``start`` while frames fit; handle one that does not fit by itself."""
        stop = min(start + self._block, len(chunk))
        t, v, step, u, offset = self._sequence(chunk, start, stop)
        self._block = min(2 * self._block, 2048) if start + len(u) == stop else max(len(u), 16)
        moved = _steps(u, self._u)
        front = self._fronts(u, v)
        with np.errstate(invalid="ignore"):
            fits = np.abs(moved - step) < JUMP_M + 0.3 * step
            fits &= ~(np.abs(offset) > FAR_M) & ~(front - u > BACK_M)
        bad = int(np.argmin(fits)) if not fits.all() else len(fits)
        rows = np.arange(start, start + bad)
        if bad:
            self._t, self._u, self._v = float(t[bad - 1]), float(u[bad - 1]), float(v[bad - 1])
            self._good_t, self._front = self._t, float(front[bad - 1])
        sure = ((t[:bad] - self._since_t) >= SURE_AFTER_S) & ~(np.abs(offset[:bad]) > BESIDE_M)
        fixes = Fixes(rows, t[:bad], u[:bad], offset[:bad], v[:bad], sure)
        if bad == len(fits):
            return fixes, start + bad
        self._leave_out(float(t[bad]), float(v[bad]))
        return fixes, start + bad + 1

    def _sequence(self, chunk: Columns, start: int, stop: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Return times, speeds, steps, places and offsets from ``start`` on, as if frames were placed one by one.

        First all are placed by speed alone, then each by the place before it: frames where both agree, and the first
        where they differ, equal the sequential result. The rest is left for the next call. This check is skipped where
        the prediction is so near that no other place is possible.
        """
        t = chunk["t_s"][start:stop]
        v = _carry_on(chunk["speed_mps"][start:stop], self._v)
        step = 0.5 * (v + np.concatenate(([self._v], v[:-1]))) * _steps(t, self._t)
        part = chunk.part(start, stop)
        roughly, offset, _ = self._place(part, np.cumsum(np.concatenate(([self._u], step)))[1:])
        predicted = np.concatenate(([self._u], roughly[:-1])) + step
        if self.line is not None:
            doubtful = ~((np.abs(predicted - roughly) < NEAR_M) & (np.abs(offset) < self.line.unique_m))
            if not doubtful.any():
                return t, v, step, roughly, offset
        u, offset, _ = self._place(part, predicted)
        same = u == roughly
        n = len(u) if same.all() else int(np.argmin(same)) + 1
        return t[:n], v[:n], step[:n], u[:n], offset[:n]

    def follow(self, row: list[float]) -> Fix | None:
        """Locate a single frame (one value per channel) that fits, without arrays.

        Return None without any change if the car is lost or the frame does not fit: ``locate`` handles it.
        """
        if self.lost:
            return None
        t, v = row[_T], row[_V]
        if v != v:
            v = self._v
        step = 0.5 * (v + self._v) * (t - self._t)
        if self.line is not None:
            u, offset, _ = self.line.project_one(row[_X], row[_Y], self._u + step)
        else:
            s = row[_S] if math.isfinite(row[_S]) else row[_PART] * self.length_m
            turns = (self._u + step - s) / self.length_m
            u, offset = (s + round(turns) * self.length_m if turns == turns else turns), math.nan
        front = max(self._front, u) if v > SLOW_MPS else u
        fits = abs(u - self._u - step) < JUMP_M + 0.3 * step
        if not fits or abs(offset) > FAR_M or front - u > BACK_M:
            return None
        self._t, self._u, self._v, self._good_t, self._front = t, u, v, t, front
        sure = t - self._since_t >= SURE_AFTER_S and not abs(offset) > BESIDE_M
        return Fix(t, u, offset, v, sure)

    def _fronts(self, u: Floats, v: Floats) -> Floats:
        """Return the farthest place reached so far at each frame; reset for a slow car (it may reverse)."""
        if bool(np.all(v > SLOW_MPS)):
            return np.fmax.accumulate(np.concatenate(([self._front], u)))[1:]
        out, front = [], self._front
        for place, speed in zip(u.tolist(), v.tolist(), strict=True):
            front = max(front, place) if speed > SLOW_MPS else place
            out.append(front)
        return np.array(out)

    def _leave_out(self, t: float, v: float) -> None:
        """Skip a frame that does not fit: continue by speed alone, and give up after LOST_AFTER_S."""
        self._u += 0.5 * (v + self._v) * (t - self._t)
        self._t, self._v = t, v
        if t - self._good_t >= LOST_AFTER_S:
            self.lost = True
            self._trail = []

    def _place(self, chunk: Columns, predicted: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        if self.line is not None:
            return self.line.project(chunk["x_m"], chunk["y_m"], predicted)
        s = self._lap_distance(chunk, 0)
        u = s + np.round((predicted - s) / self.length_m) * self.length_m
        return u, np.full(len(u), np.nan), np.isfinite(u)

    def _lap_distance(self, chunk: Columns, start: int) -> Floats:
        """Return place by the feed's own lap distance [m], brought to the reference's length."""
        s: Floats = chunk["lap_distance_m"][start:]
        fraction = chunk["lap_fraction"][start:] * self.length_m
        return np.where(np.isfinite(s), s, fraction)

    def _acquire(self, chunk: Columns, start: int) -> tuple[int, Fixes | None]:
        """Search for the car from ``start`` on; return the next index, and the first fix if there is one."""
        t = chunk["t_s"]
        if self.line is None:
            s = self._lap_distance(chunk, 0)
            for i in range(start, len(chunk)):
                if np.isfinite(s[i]):
                    return i + 1, self._begin(chunk, i, float(s[i]), float("nan"))
            return len(chunk), None
        xs, ys = chunk["x_m"], chunk["y_m"]
        for i in range(start, len(chunk)):
            x, y = float(xs[i]), float(ys[i])
            if not (np.isfinite(x) and np.isfinite(y)):
                continue
            place = self._search(float(t[i]), x, y)
            if place is None:
                continue
            u, offset, found = self.line.project(xs[i : i + 1], ys[i : i + 1], np.array([place]))
            if found[0]:
                return i + 1, self._begin(chunk, i, float(u[0]), float(offset[0]))
        return len(chunk), None

    def _search(self, t: float, x: float, y: float) -> float | None:
        """Return the place that fits position and direction of travel over the last metres, if unique."""
        if self._trail and t - self._trail[-1][0] > 2.0:
            self._trail = []
        self._trail.append((t, x, y))
        while len(self._trail) > 2 and np.hypot(x - self._trail[1][1], y - self._trail[1][2]) > 6.0:
            del self._trail[0]
        _, x0, y0 = self._trail[0]
        way = float(np.hypot(x - x0, y - y0))
        if way < 4.0:
            # standing: keep the trail short so that it cannot grow without end
            del self._trail[1:-50]
            return None
        if way > 120.0:
            self._trail = self._trail[-1:]
            return None
        assert self.line is not None
        near = self.line.candidates(x, y, float(np.arctan2(y - y0, x - x0)), REACH_M)
        if not near or (len(near) > 1 and near[1][0] - near[0][0] < TWIN_M):
            return None
        self._trail = []
        return near[0][1]

    def _begin(self, chunk: Columns, row: int, s: float, offset: float) -> Fixes:
        t, v = float(chunk["t_s"][row]), float(chunk["speed_mps"][row])
        u = s + self._lap_told(chunk, row, s) * self.length_m
        self.lost = False
        self._t, self._u, self._v = t, u, v if math.isfinite(v) else 0.0
        self._front = u
        self._good_t = self._since_t = t
        one = np.array([t, u, offset, self._v])
        return Fixes(np.array([row]), one[:1], one[1:2], one[2:3], one[3:], np.array([False]))

    def _lap_told(self, chunk: Columns, row: int, s: float) -> int:
        """Return the feed's lap number at place ``s``, 0 if there is none.

        Near the line the feed may count before or after us: its own lap distance decides.
        """
        lap, distance = float(chunk["lap"][row]), float(chunk["lap_distance_m"][row])
        if lap != lap or not self.reference.closed:
            return 0
        if s > 0.9 * self.length_m and distance < 0.1 * self.length_m:
            lap -= 1
        elif s < 0.1 * self.length_m and distance > 0.9 * self.length_m:
            lap += 1
        return int(lap)


def _carry_on(values: Floats, before: float) -> Floats:
    """Return the values with each gap filled by the last finite one, ``before`` at the start."""
    good = np.isfinite(values)
    if good.all():
        return values
    last = np.maximum.accumulate(np.where(good, np.arange(len(values)), -1))
    filled: Floats = np.where(last >= 0, values[last], before)
    return filled


def _steps(values: Floats, before: float) -> Floats:
    """Return the differences between successive values, from ``before``."""
    out = np.empty(len(values))
    out[0] = values[0] - before
    np.subtract(values[1:], values[:-1], out=out[1:])
    return out


def _none() -> Fixes:
    nothing = np.empty(0)
    return Fixes(np.empty(0, dtype=np.intp), nothing, nothing, nothing, nothing, np.empty(0, dtype=np.bool_))
