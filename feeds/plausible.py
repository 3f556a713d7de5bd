"""Rejects implausible data from every source in one place.

Two steps. :func:`sound` checks one frame: a field out of its range becomes absent, a frame without a usable time is
rejected. :class:`Gate` compares a frame with the one before: it drops late and repeated frames, and holds a leap in
time, position or lap until ``CONFIRM`` frames in a row agree, then lets all of them through. So a flipped bit never
reaches the core, while a teleport to the pits or a session restart does.

The gate is idempotent: its output passes it again unchanged, so replaying a record gives the same frames.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from operator import attrgetter
from typing import Final

import msgspec

from feeds.counters import Counters
from feeds.frame import COUNTS, MAX_JUMP_M, NAN, RANGES, Frame

MAX_FRACTION_JUMP: Final = 0.1
MAX_LATE_S: Final = 1.0
"""A frame at most this much older than the last is late; beyond that the clock may have jumped back."""
MAX_LEAP_S: Final = 10.0
CONFIRM: Final = 3
_SHARES: Final = frozenset({"throttle", "brake", "lap_fraction"})
_CLAMPED: Final = tuple(
    (0.0, 1.0) if name in _SHARES else (0.0, high) if name == "speed_mps" else (low, high)
    for name, low, high, _ in RANGES
)
_take = attrgetter(*(name for name, *_ in RANGES))
_TOGETHER: Final = {"x_m": "y_m", "y_m": "x_m", "lat_deg": "lon_deg", "lon_deg": "lat_deg"}


def sound(frame: Frame, counters: Counters) -> Frame | None:
    """Return the frame with impossible fields made absent and small overshoot clamped; None without a usable time."""
    if not -1e10 < frame.t_s < 1e10:
        counters.add("time_refused")
        return None
    changes: dict[str, float | None] = {}
    for value, (low, high), rule in zip(_take(frame), _CLAMPED, RANGES, strict=True):
        # NaN is absent, not wrong: it differs from itself
        if value is None or value != value or low <= value <= high:
            continue
        name, least, most, kind = rule
        if least <= value <= most:
            changes.setdefault(name, min(max(value, low), high))
            continue
        counters.add(kind)
        counters.found[kind] = (name, float(value))
        changes[name] = None if name in COUNTS else NAN
        if name in _TOGETHER:
            changes[_TOGETHER[name]] = NAN
    return msgspec.structs.replace(frame, **changes) if changes else frame


class _Trail:
    """The latest known state of the car: each value from the last frame that had it."""

    __slots__ = ("distance_m", "fraction", "lap", "t_s", "x_m", "y_m")

    def __init__(self, frame: Frame, before: _Trail | None = None) -> None:
        self.x_m = self.y_m = self.distance_m = self.fraction = NAN
        self.lap: int | None = None
        if before is not None:
            # values missing in a run keep their last state: the next position is checked against it too
            self.x_m, self.y_m, self.lap = before.x_m, before.y_m, before.lap
            self.distance_m, self.fraction = before.distance_m, before.fraction
        self.move(frame)

    def move(self, frame: Frame) -> None:
        self.t_s = frame.t_s
        if frame.x_m == frame.x_m and frame.y_m == frame.y_m:
            self.x_m, self.y_m = frame.x_m, frame.y_m
        if frame.lap_distance_m == frame.lap_distance_m:
            self.distance_m = frame.lap_distance_m
        if frame.lap_fraction == frame.lap_fraction:
            self.fraction = frame.lap_fraction
        if frame.lap is not None:
            self.lap = frame.lap

    def leap(self, frame: Frame) -> str:
        """Return the kind of leap from here to ``frame``; "" if the frame may follow."""
        step_s = frame.t_s - self.t_s
        if step_s < 0.0:
            return "clock_back"
        if step_s > MAX_LEAP_S:
            return "clock_forward"
        # comparisons with NaN are false: an unknown position is never a leap
        if math.hypot(frame.x_m - self.x_m, frame.y_m - self.y_m) > MAX_JUMP_M:
            return "teleport"
        # across the line the lap distance falls to nearly nothing
        if frame.lap_distance_m > MAX_JUMP_M and abs(frame.lap_distance_m - self.distance_m) > MAX_JUMP_M:
            return "teleport"
        away = abs(frame.lap_fraction - self.fraction)
        if MAX_FRACTION_JUMP < away < 1.0 - MAX_FRACTION_JUMP:
            return "teleport"
        if frame.lap is not None and self.lap is not None and frame.lap - self.lap not in (0, 1):
            return "lap_changed"
        return ""


class Gate:
    """Admits frames that can follow one another; counts rejected ones in ``counters``."""

    def __init__(self, counters: Counters) -> None:
        self._counters = counters
        self._trail: _Trail | None = None
        self._held: list[Frame] = []
        self._held_trail: _Trail | None = None
        self._kind = ""

    def admit(self, frame: Frame) -> Sequence[Frame]:
        """Return the frames admitted now: none, this one, or a confirmed run of held ones. Never raises."""
        checked = sound(frame, self._counters)
        if checked is None:
            return ()
        trail = self._trail
        if trail is None:
            self._trail = _Trail(checked)
            self._counters.add("frames")
            return (checked,)
        step_s = checked.t_s - trail.t_s
        if -MAX_LATE_S <= step_s <= 0.0:
            self._counters.add("duplicate" if step_s == 0.0 else "late")
            return ()
        kind = trail.leap(checked)
        if not kind:
            self._refuse_held()
            trail.move(checked)
            self._counters.add("frames")
            return (checked,)
        return self._hold(checked, kind)

    def _hold(self, frame: Frame, kind: str) -> Sequence[Frame]:
        before = self._held_trail
        if before is not None:
            step_s = frame.t_s - before.t_s
            if -MAX_LATE_S <= step_s <= 0.0:
                self._counters.add("duplicate" if step_s == 0.0 else "late")
                return ()
        if before is None or before.leap(frame):
            self._refuse_held()
            self._held, self._held_trail, self._kind = [frame], _Trail(frame, self._trail), kind
            return ()
        before.move(frame)
        self._held.append(frame)
        if len(self._held) < CONFIRM:
            return ()
        run, self._held = self._held, []
        self._trail, self._held_trail = before, None
        self._counters.add(self._kind)
        self._counters.add("frames", len(run))
        return run

    def _refuse_held(self) -> None:
        if self._held:
            self._counters.add("jump_refused", len(self._held))
            self._held, self._held_trail = [], None
