"""Today's condition of car, tyres and road, estimated before the search for faults: a grip and an engine factor.

Grip lower everywhere by the same factor is the condition; lower at one corner it is the driver; lower by different
factors it is traffic, or a driver with much to learn. The factor is the median over the corners of one lap (robust to
habits at up to half of them), updated at each pass; it counts once it was constant for a lap. While it changes, no cue
is about speed, because a slow driver and a slow road look alike.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Final, Literal

import msgspec

from coach.core.measure.grip_shares import Use

STEADY: Final = 0.03
"""A factor that changes by less within a lap is known; by more it is another condition."""
ALIKE: Final = 0.03
"""Largest scatter over corners with the same factor: twice a practised driver's (measured)."""
ODD: Final = 3.0
"""Deviations of an outlier from the corner's expected value; four in a row to the same side are a change."""
SURE: Final = 2.0
"""Standard errors by which a constant level may seem to move within a lap (95 %)."""
PUSHES: Final = 0.5
"""Least share of the reference's full throttle, or of the driver's own most there, for a driver at pace."""
ANOTHER_CAR: Final = 0.05
"""Largest change of engine power by weather (common practice, no source)."""
_USUAL: Final = 0.015
"""Scatter of a practised driver's use of grip between corners, until the driver's own is known (measured)."""
_FEW: Final = 3
_BACK: Final = 2
_LEAST, _MOST = 5, 12
"""Bounds on passes per lap, for very short and very long courses."""


Kind = Literal["usual", "slow", "changing", "another_car", "grip_down", "grip_up"]
"""How the condition differs from the reference's."""
_WORDS: Final[Mapping[Kind, str]] = {
    "usual": "",
    "slow": "not at pace, no pace cues",
    "changing": "pace changes everywhere, no pace cues",
    "another_car": "the reference is another car's, no pace cues",
}


class Today(msgspec.Struct, frozen=True):
    """The condition at one pass: ``grip`` and ``power`` as shares of the reference's, 1.0 if equal.

    Unless ``settled``, pace is unknown. ``doubt`` is the deviation of ``grip``.
    """

    grip: float = 1.0
    power: float = 1.0
    settled: bool = True
    doubt: float = 0.0
    odd: bool = False
    """This pass differs from the known condition: the next one shows whether it changed."""
    kind: Kind = "usual"

    @property
    def words(self) -> str:
        """Differences from the reference, for the screen; "" if there are none."""
        if self.kind in ("grip_down", "grip_up"):
            percent = round(100.0 * abs(self.grip - 1.0))
            return f"grip is {'down' if self.grip < 1.0 else 'up'} {percent} %, no pace cues"
        return _WORDS[self.kind]

    @property
    def as_reference(self) -> bool:
        """Whether pace can be judged against the unscaled reference."""
        return self.settled and abs(self.grip - 1.0) <= STEADY and abs(self.power - 1.0) <= ANOTHER_CAR


@dataclass
class Condition:
    """Tracks the condition over passes; ``corners`` is their number per lap."""

    corners: int
    today: Today = field(default_factory=Today)
    _grips: deque[float] = field(default_factory=lambda: deque[float]())
    _levels: deque[float] = field(default_factory=lambda: deque[float]())
    _powers: deque[float] = field(default_factory=lambda: deque[float]())
    _pushes: deque[float] = field(default_factory=lambda: deque[float]())
    _pushed: dict[int, deque[float]] = field(default_factory=dict)
    """Shares of the reference's full throttle in the last passes of each corner."""
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
        # assume the reference's condition until one is known
        self._grips = deque([0.0] * lap, maxlen=lap)
        self._levels = deque([0.0] * lap, maxlen=lap)
        self._powers = deque(maxlen=lap)
        self._pushes = deque(maxlen=3)

    def move(self, moved: Mapping[int, int], corners: int) -> Condition:
        """Return the condition with renumbered corners, ``moved`` old -> new."""
        after = Condition(corners, self.today)
        level = math.log(self.today.grip)
        after._grips.extend([level] * (after._grips.maxlen or 0))
        after._levels.extend(after._grips)
        after._home, after._at_rest = level, tuple(after._grips)
        after._powers.extend(self._powers)
        after._pushed = {moved[c]: kept for c, kept in self._pushed.items() if c in moved}
        after._habits = {moved[c]: kept for c, kept in self._habits.items() if c in moved}
        return after

    def take(self, corner: int, use: Use) -> Today:
        """Add a pass and return the condition with it."""
        if use.power == use.power:
            self._powers.append(use.power)
        if use.push == use.push:
            self._take_push(corner, use.push)
        pushing = not self._pushes or max(self._pushes) >= PUSHES
        if pushing and use.grip > 0.0:
            self._take_grip(corner, math.log(use.grip))
        level = self._levels[-1]
        scatter = _scatter(self._grips, level)
        doubt = scatter / math.sqrt(len(self._grips))
        # a level that moves by two standard errors (95 %) may be constant: wide scatter is not a change
        steady = max(self._levels) - min(self._levels) <= STEADY + SURE * doubt and not self._changing
        # the possible start of a change does not update the known condition
        if steady and pushing and not (self.today.settled and any(abs(o) > ODD for o in self._off)):
            self._home, self._at_rest = level, tuple(self._grips)
            self._rest_habits = self._beside_others()
        # different factors at the corners: not a condition, unless all of them are far from 1
        spread = min(scatter, _from_pass_to_pass(self._grips)) if steady else scatter
        grip = math.exp(level) if spread <= max(ALIKE, abs(level) / ODD) else 1.0
        power = median(self._powers) if len(self._powers) >= _LEAST else 1.0
        # a slow middle beside a usual peak: another car may hold this one up
        odd = abs(self._off[-1]) > ODD or self._slow(use, level)
        self.today = Today(grip, power, steady and pushing, doubt, odd, _kind(grip, power, steady, pushing))
        return self.today

    def _take_push(self, corner: int, push: float) -> None:
        """Add a pass's share of the reference's full throttle: of a driver at pace elsewhere, beside his own there.

        A habit that takes the throttle of one corner says nothing of the pace.
        """
        earlier = self._pushed.setdefault(corner, deque(maxlen=_LEAST))
        most = 1.0
        if len(earlier) >= _BACK and median(max(shares, default=1.0) for shares in self._pushed.values()) >= PUSHES:
            most = min(max(earlier), 1.0)
        earlier.append(push)
        if most > 0.0:
            self._pushes.append(push / most)

    def _take_grip(self, corner: int, log_use: float) -> None:
        here = log_use - self._home
        # a returning habit is not an outlier, nor is a cured one
        here = min(here, here - self._rest_habits.get(corner, 0.0), key=abs)
        scatter = min(max(_scatter(self._at_rest, self._home), _USUAL), ALIKE)
        self._off = [*self._off[1:], here / scatter]
        changes = min(self._off) > ODD or max(self._off) < -ODD
        # after a change the new condition takes a lap to know
        self._changing = len(self._grips) if changes and self.today.settled else max(self._changing - 1, 0)
        self._grips.append(log_use)
        self._levels.append(median(self._grips))
        self._run = self._run + 1 if abs(here) <= STEADY else 0
        self._since += 1
        if self._since > len(self._grips):
            self._need = _BACK
        if self._run >= self._need and not self.today.settled:
            # the earlier condition returned: no need to learn it again
            self._grips.extend(self._at_rest)
            self._levels.extend([self._home] * len(self._levels))
            self._off = [0.0] * 4
            self._changing = 0
            # if that was wrong, require more the next time
            self._need, self._since = self._need + _BACK, 0
        self._habits.setdefault(corner, deque(maxlen=3)).append(log_use)

    def _slow(self, use: Use, level: float) -> bool:
        """Return whether the slowest place lacks enough grip for a change to begin with this pass."""
        return use.slowest > 0.0 and math.log(use.slowest) - level < -ODD * ALIKE

    def _beside_others(self) -> dict[int, float]:
        """Return each corner's value relative to the others in each lap; a common lack is not a habit."""
        if len(self._habits) < _FEW:
            return {}
        own = {c: _middle(uses) for c, uses in self._habits.items()}
        common = median(own.values())
        return {c: use - common for c, use in own.items()}


def _scatter(grips: Sequence[float], level: float) -> float:
    return 1.4826 * median(abs(g - level) for g in grips)


def _from_pass_to_pass(grips: Sequence[float]) -> float:
    """Return the scatter without a drift (mean successive difference, von Neumann 1941, from memory)."""
    return 1.4826 / math.sqrt(2.0) * median(abs(after - before) for before, after in pairwise(grips))


def _middle(uses: Sequence[float]) -> float:
    """Return the median; of two values the one nearer to 1."""
    return min(uses, key=abs) if len(uses) == 2 else median(uses)


def _kind(grip: float, power: float, steady: bool, pushing: bool) -> Kind:
    if not pushing:
        return "slow"
    if not steady:
        return "changing"
    if abs(power - 1.0) > ANOTHER_CAR:
        return "another_car"
    if abs(grip - 1.0) > STEADY:
        return "grip_down" if grip < 1.0 else "grip_up"
    return "usual"
