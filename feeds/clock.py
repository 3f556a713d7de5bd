"""The clock that feeds wait on, and a pacer that keeps an absolute schedule."""

from __future__ import annotations

import math
from typing import Final, Protocol

_LEAP_S: Final = 10.0
"""Replay skips recorded gaps longer than this (a pause, a new session)."""


class Clock(Protocol):
    """The two functions of the module ``time`` that feeds use; tests pass one that jumps."""

    def monotonic(self) -> float:
        """Return the seconds that never go back."""

    def sleep(self, secs: float, /) -> object:
        """Wait ``secs`` seconds."""


class ManualClock:
    """A clock for tests: time passes only by ``sleep``."""

    def __init__(self, now_s: float = 0.0) -> None:
        self.now_s = now_s
        self.slept: list[float] = []

    def monotonic(self) -> float:
        """Return the time [s]."""
        return self.now_s

    def sleep(self, secs: float, /) -> None:
        """Advance the time by ``secs``."""
        self.slept.append(secs)
        self.now_s += max(secs, 0.0)


class Pacer:
    """Schedules recorded frames at absolute times, so that delays never add up.

    ``speed`` 1 is real time, N is N times as fast, ``math.inf`` does not wait.
    """

    def __init__(self, speed: float, clock: Clock) -> None:
        if not speed > 0.0:
            raise ValueError(f"speed: expected a number above 0, found {speed}")
        self._speed = speed
        self._clock = clock
        self._start_s = math.nan
        self._first_t_s = math.nan
        self._last_t_s = math.nan

    def due_in(self, t_s: float) -> float:
        """Return the seconds until the frame of session time ``t_s`` is due; 0 or less when it is due.
        Frames in order.
        """
        if math.isinf(self._speed):
            return 0.0
        now = self._clock.monotonic()
        if not 0.0 <= t_s - self._last_t_s <= _LEAP_S:
            self._start_s, self._first_t_s = now, t_s
        self._last_t_s = t_s
        return self._start_s + (t_s - self._first_t_s) / self._speed - now

    def wait(self, t_s: float, timeout_s: float = math.inf) -> bool:
        """Wait for the frame of session time ``t_s``, at most ``timeout_s`` [s]; whether it is due now."""
        wait_s = self.due_in(t_s)
        if wait_s > 0.0:
            self._clock.sleep(min(wait_s, timeout_s))
        return wait_s <= max(timeout_s, 0.0)
