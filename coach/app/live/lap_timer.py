"""Lap times without a profile: from the feed's lap distance or counter, else from the path closing on itself."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

import numpy as np

from coach.core.measure.lap_ledger import STOPPED_MPS, STOPPED_S, WHEELS_OFF
from coach.core.values import LapDone
from feeds.frame import Frame

STEP_M: Final = 4.0
SAME_M: Final = 15.0
SAME_RAD: Final = math.radians(30.0)
FIRST_M: Final = 300.0
"""Least length of a lap [m]."""
AHEAD: Final = 8
"""Steps from the place where the path closes to the line: the car has yet to cross it."""
WIDE_M: Final = 25.0
FALL_M: Final = 200.0
GAP_S: Final = 2.5
SHORTEST_S: Final = 12.0
NAN: Final = float("nan")


class LapTimer:
    """Push frames in order of time; finished laps are returned. ``lap`` is the number of the current lap."""

    def __init__(self) -> None:
        self.lap = 0
        self.began_s = NAN
        self._last: Frame | None = None
        self._why = ""
        self._stopped_s = 0.0
        self._x: list[float] = []
        self._y: list[float] = []
        self._t: list[float] = []
        self._line: tuple[float, float, float, float] | None = None

    def push(self, frames: Iterable[Frame]) -> list[LapDone]:
        """Process frames and return the finished laps."""
        return [done for frame in frames if (done := self._take(frame)) is not None]

    def running_s(self) -> float:
        """Return the time since the line [s]; NaN before the first crossing."""
        return self._last.t_s - self.began_s if self._last is not None else NAN

    def _take(self, frame: Frame) -> LapDone | None:
        last, self._last = self._last, frame
        if last is None:
            self.lap = frame.lap or 0
            return None
        step_s = frame.t_s - last.t_s
        if not 0.0 < step_s < GAP_S:
            self.began_s = NAN
            self._x, self._y, self._t = [], [], []
            return None
        self._spoil(frame, step_s)
        crossed = self._crossing(last, frame)
        if crossed != crossed:
            return None
        done = None
        if crossed - self.began_s >= SHORTEST_S:
            done = LapDone(self.lap, frame.t_s, crossed - self.began_s, NAN, not self._why, self._why)
        if not crossed - self.began_s < SHORTEST_S:
            self.began_s, self._why = crossed, ""
            self.lap = frame.lap if frame.lap is not None else self.lap + 1
        return done

    def _spoil(self, frame: Frame, step_s: float) -> None:
        if frame.in_pit:
            self._why = self._why or "pit"
        if (frame.wheels_off or 0) >= WHEELS_OFF:
            self._why = self._why or "off track"
        self._stopped_s = self._stopped_s + step_s if frame.speed_mps < STOPPED_MPS else 0.0
        if self._stopped_s > STOPPED_S:
            self._why = self._why or "stopped"

    def _crossing(self, last: Frame, frame: Frame) -> float:
        """Return the time of crossing the line between two frames [s]; NaN if there is none."""
        if frame.lap_distance_m == frame.lap_distance_m and last.lap_distance_m == last.lap_distance_m:
            if frame.lap_distance_m > last.lap_distance_m - FALL_M or frame.lap_distance_m > FALL_M:
                return NAN
            back_s = frame.lap_distance_m / frame.speed_mps if frame.speed_mps > STOPPED_MPS else 0.0
            return max(frame.t_s - back_s, last.t_s) if back_s == back_s else frame.t_s
        if frame.lap is not None and last.lap is not None:
            return frame.t_s if frame.lap == last.lap + 1 else NAN
        if frame.x_m == frame.x_m and last.x_m == last.x_m:
            return self._by_place(last, frame)
        return NAN

    def _by_place(self, last: Frame, frame: Frame) -> float:
        if self._line is None:
            self._trail(frame)
            return NAN
        x, y, cos, sin = self._line
        before = (last.x_m - x) * cos + (last.y_m - y) * sin
        after = (frame.x_m - x) * cos + (frame.y_m - y) * sin
        if not before < 0.0 <= after or abs((frame.y_m - y) * cos - (frame.x_m - x) * sin) > WIDE_M:
            return NAN
        return last.t_s + before / (before - after) * (frame.t_s - last.t_s)

    def _trail(self, frame: Frame) -> None:
        """Keep the path until it closes: the line is there, and was crossed once already."""
        xs, ys = self._x, self._y
        if xs and math.hypot(frame.x_m - xs[-1], frame.y_m - ys[-1]) < STEP_M:
            return
        xs.append(frame.x_m)
        ys.append(frame.y_m)
        self._t.append(frame.t_s)
        first = len(xs) - int(FIRST_M / STEP_M)
        if first <= AHEAD + 1:
            return
        x, y = np.array(xs[: first + 1]), np.array(ys[: first + 1])
        near = np.flatnonzero(np.hypot(x - xs[-1], y - ys[-1])[:-1] < SAME_M)
        here = math.atan2(ys[-1] - ys[-2], xs[-1] - xs[-2])
        for i in near[near + AHEAD + 1 < first].tolist():
            course = math.atan2(y[i + 1] - y[i], x[i + 1] - x[i])
            if math.cos(course - here) > math.cos(SAME_RAD):
                at = i + AHEAD
                way = math.atan2(y[at + 1] - y[at - 1], x[at + 1] - x[at - 1])
                self._line = (float(x[at]), float(y[at]), math.cos(way), math.sin(way))
                self.began_s = self._t[at]
                self.lap += 1
                return
