"""What car, tyres and road give today, before any fault is looked for: one factor of grip and one of the engine.

A grip that is lower everywhere by the same factor is the condition; lower at one corner it is the driver; lower at each
by another factor it is traffic, or a driver who has much to learn. The factor is the median over the corners of one lap
(blind to habits at up to half of them), taken along from pass to pass; it counts once it has been the same for a lap.
While it changes, nothing is said about speed, because nobody can tell a slow driver from a slow road.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Final

import msgspec

from coach.core.measure.grip_shares import Use

STEADY: Final = 0.03
"""A factor that moved by less than this within a lap is known; by more it counts as another condition."""
ALIKE: Final = 0.03
"""Scatter over the corners up to which they are lower by the same factor: twice a practised driver's (measured)."""
ODD: Final = 3.0
"""A pass so many deviations off what this corner should give is odd; four in a row to the same side are a change."""
SURE: Final = 2.0
"""Standard errors that a steady level may seem to move by within a lap (95 %)."""
PUSHES: Final = 0.5
"""Who gives full throttle on less than this share of where the reference does is not at pace."""
ANOTHER_CAR: Final = 0.05
"""No weather changes the engine by this share (common practice, no source)."""
_USUAL: Final = 0.015
"""Scatter of a practised driver's use of grip from corner to corner, until his own is known (measured)."""
_FEW: Final = 3
_BACK: Final = 2
_LEAST, _MOST = 5, 12
"""Passes that make a lap here, on very short and very long courses."""


class Today(msgspec.Struct, frozen=True):
    """The condition at one pass: ``grip`` and ``power`` as shares of the reference's, 1.0 when alike.

    While not ``settled`` nothing about speed is known. ``doubt`` is the deviation of ``grip``.
    """

    grip: float = 1.0
    power: float = 1.0
    settled: bool = True
    doubt: float = 0.0
    odd: bool = False
    """This pass is unlike what was known before it: the next one shows whether everything changed."""
    words: str = ""

    @property
    def usual(self) -> bool:
        """Whether pace can be judged against the reference as it is."""
        return self.settled and abs(self.grip - 1.0) <= STEADY and abs(self.power - 1.0) <= ANOTHER_CAR


@dataclass
class Condition:
    """Follows the condition over the passes; ``corners`` is how many a lap has."""

    corners: int
    today: Today = field(default_factory=Today)
    _grips: deque[float] = field(default_factory=lambda: deque[float]())
    _levels: deque[float] = field(default_factory=lambda: deque[float]())
    _powers: deque[float] = field(default_factory=lambda: deque[float]())
    _pushes: deque[float] = field(default_factory=lambda: deque[float]())
    _habits: dict[int, deque[float]] = field(default_factory=dict)
    _off: list[float] = field(default_factory=lambda: [0.0] * 4)
    _home: float = 0.0
    _at_rest: tuple[float, ...] = (0.0,)
    _changing: int = 0
    _rest_habits: dict[int, float] = field(default_factory=dict)
    _run: int = 0
    _need: int = _BACK
    _since: int = 0

    def __post_init__(self) -> None:
        lap = min(max(self.corners, _LEAST), _MOST)
        # as long as nothing is known, everything is as usual
        self._grips = deque([0.0] * lap, maxlen=lap)
        self._levels = deque([0.0] * lap, maxlen=lap)
        self._powers = deque(maxlen=lap)
        self._pushes = deque(maxlen=3)

    def move(self, moved: Mapping[int, int], corners: int) -> Condition:
        """The same under other corners, ``moved`` old -> new."""
        after = Condition(corners, self.today)
        level = math.log(self.today.grip)
        after._grips.extend([level] * (after._grips.maxlen or 0))
        after._levels.extend(after._grips)
        after._home, after._at_rest = level, tuple(after._grips)
        after._powers.extend(self._powers)
        after._habits = {moved[c]: kept for c, kept in self._habits.items() if c in moved}
        return after

    def take(self, corner: int, use: Use) -> Today:
        """One more pass; what is known with it."""
        if use.power == use.power:
            self._powers.append(use.power)
        if use.push == use.push:
            self._pushes.append(use.push)
        pushing = not self._pushes or max(self._pushes) >= PUSHES
        if pushing and use.grip > 0.0:
            self._take_grip(corner, math.log(use.grip))
        level = self._levels[-1]
        scatter = _scatter(self._grips, level)
        doubt = scatter / math.sqrt(len(self._grips))
        # a level that moves by two standard errors (95 %) may stand still: a driver with a wide scatter is no change
        steady = max(self._levels) - min(self._levels) <= STEADY + SURE * doubt and not self._changing
        # what may be the beginning of a change does not move what is known
        if steady and pushing and not (self.today.settled and any(abs(o) > ODD for o in self._off)):
            self._home, self._at_rest = level, tuple(self._grips)
            self._rest_habits = self._beside_others()
        # lower by another factor at each corner: no condition is like that, unless all of them are far off
        spread = min(scatter, _from_pass_to_pass(self._grips)) if steady else scatter
        grip = math.exp(level) if spread <= max(ALIKE, abs(level) / ODD) else 1.0
        power = median(self._powers) if len(self._powers) >= _LEAST else 1.0
        # a peak as usual beside a slow middle is what being held up looks like
        odd = abs(self._off[-1]) > ODD or self._slow(use, level)
        self.today = Today(grip, power, steady and pushing, doubt, odd, _words(grip, power, steady, pushing))
        return self.today

    def _take_grip(self, corner: int, log_use: float) -> None:
        here = log_use - self._home
        # a habit that is there again is not odd, nor is one that is cured
        here = min(here, here - self._rest_habits.get(corner, 0.0), key=abs)
        scatter = min(max(_scatter(self._at_rest, self._home), _USUAL), ALIKE)
        self._off = [*self._off[1:], here / scatter]
        changes = min(self._off) > ODD or max(self._off) < -ODD
        # after a change it takes a lap to know what it is now
        self._changing = len(self._grips) if changes and self.today.settled else max(self._changing - 1, 0)
        self._grips.append(log_use)
        self._levels.append(median(self._grips))
        self._run = self._run + 1 if abs(here) <= STEADY else 0
        self._since += 1
        if self._since > len(self._grips):
            self._need = _BACK
        if self._run >= self._need and not self.today.settled:
            # what was known before holds again: it need not be learned a second time
            self._grips.extend(self._at_rest)
            self._levels.extend([self._home] * len(self._levels))
            self._off = [0.0] * 4
            self._changing = 0
            # where that was wrong, it takes more the next time
            self._need, self._since = self._need + _BACK, 0
        self._habits.setdefault(corner, deque(maxlen=3)).append(log_use)

    def _slow(self, use: Use, level: float) -> bool:
        """Whether the slowest place lacks so much grip that a change may have begun with this pass."""
        return use.slowest > 0.0 and math.log(use.slowest) - level < -ODD * ALIKE

    def _beside_others(self) -> dict[int, float]:
        """What each corner gives beside the others each time; what all of them lack is no habit."""
        if len(self._habits) < _FEW:
            return {}
        own = {c: _middle(uses) for c, uses in self._habits.items()}
        usual = median(own.values())
        return {c: use - usual for c, use in own.items()}


def _scatter(grips: Sequence[float], level: float) -> float:
    return 1.4826 * median(abs(g - level) for g in grips)


def _from_pass_to_pass(grips: Sequence[float]) -> float:
    """The scatter without the drift of a road that dries (after von Neumann 1941, from memory)."""
    return 1.4826 / math.sqrt(2.0) * median(abs(after - before) for before, after in pairwise(grips))


def _middle(uses: Sequence[float]) -> float:
    """The median; of two the one that is less far off."""
    return min(uses, key=abs) if len(uses) == 2 else median(uses)


def _words(grip: float, power: float, steady: bool, pushing: bool) -> str:
    if not pushing:
        return "not at pace, no pace cues"
    if not steady:
        return "pace changes everywhere, no pace cues"
    if abs(power - 1.0) > ANOTHER_CAR:
        return "the reference is another car's, no pace cues"
    if abs(grip - 1.0) > STEADY:
        percent = round(100.0 * abs(grip - 1.0))
        return f"grip is {'down' if grip < 1.0 else 'up'} {percent} %, no pace cues"
    return ""
