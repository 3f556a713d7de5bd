"""Faults of a practice driver: kinds, amounts, and plans of where and when they occur."""

from __future__ import annotations

import math
from collections.abc import Container
from dataclasses import dataclass, replace

import numpy as np

UNITS: dict[str, str] = {
    "brake_early": "m",
    "brake_late": "m",
    "brake_soft": "share",
    "brake_long": "m",
    "turn_in_early": "m",
    "turn_in_late": "m",
    "apex_missed": "m",
    "slow_middle": "m/s",
    "coasting": "m",
    "throttle_late": "m",
    "throttle_soft": "share",
    "exit_narrow": "m",
    "exit_wide": "m",
    "gear_high": "gear",
    "gear_low": "gear",
}
"""Unit of each fault's amount; every amount is positive.

brake_early/late: metres the brake point lies before/after the normal one. brake_soft: share of the braking force left
unused. brake_long: metres a light brake is dragged on past its release. turn_in_early/late: metres of early/late
turn-in. apex_missed: metres off the apex. slow_middle: metres per second too slow in the middle. coasting: metres
without a pedal between brake and throttle. throttle_late: metres the throttle waits. throttle_soft: share of the
throttle left unused up to the exit. exit_narrow: metres of exit left unused. exit_wide: metres run wide of the line.
gear_high/low: gears too high/low.
"""
ODD_UNITS: dict[str, str] = {"lift": "m", "two_stabs": "m", "wavering": "m"}
"""Faults outside the coach's own list, to test it on unknown ones.

lift: metres without throttle half way down the straight before the corner. two_stabs: metres in the middle of the
braking without brake. wavering: metres to either side that the line swings through the corner.
"""
NEEDS_BRAKE = frozenset({"brake_early", "brake_late", "brake_soft", "brake_long", "coasting", "two_stabs"})


@dataclass(frozen=True)
class Habit:
    """One fault at one corner (name or index) by ``amount``, in every lap or only in ``laps``.

    ``spread`` is the standard deviation of the amount from lap to lap.
    """

    corner: str | int
    fault: str
    amount: float
    laps: Container[int] | None = None
    spread: float = 0.0

    def __post_init__(self) -> None:
        unit = (UNITS | ODD_UNITS).get(self.fault)
        if unit is None:
            raise ValueError(f"expected one of {', '.join(UNITS | ODD_UNITS)}; found {self.fault!r}")
        if not (math.isfinite(self.amount) and self.amount >= 0.0):
            raise ValueError(f"amount of {self.fault}: expected a finite number from 0, found {self.amount}")
        if unit == "share" and self.amount > 0.8:
            raise ValueError(f"amount of {self.fault}: expected a share of at most 0.8, found {self.amount}")


@dataclass(frozen=True)
class FaultPlan:
    """All habits of a driver."""

    habits: tuple[Habit, ...] = ()

    @classmethod
    def of(cls, *habits: Habit | tuple[str | int, str, float]) -> FaultPlan:
        """Return a plan from habits or (corner, fault, amount) triples."""
        return cls(tuple(h if isinstance(h, Habit) else Habit(*h) for h in habits))

    def on_lap(self, lap: int, rng: np.random.Generator) -> tuple[Habit, ...]:
        """Return the habits active on ``lap``, with this lap's amounts."""
        out = []
        for habit in self.habits:
            drawn = habit.amount + habit.spread * float(rng.standard_normal())
            if habit.laps is None or lap in habit.laps:
                top = 0.8 if UNITS.get(habit.fault) == "share" else math.inf
                out.append(replace(habit, amount=min(max(drawn, 0.0), top), spread=0.0))
        return tuple(out)


@dataclass(frozen=True)
class Scatter:
    """How a driver varies from lap to lap (standard deviations); ``SAME`` has no scatter."""

    brake_m: float = 2.0
    speed_mps: float = 0.3
    line_m: float = 0.15


SAME = Scatter(0.0, 0.0, 0.0)
