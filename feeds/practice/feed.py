"""The practice feed: laps of a simulated driver who takes advice, one stretch at a time."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import pairwise
from typing import ClassVar

from feeds.base import Feed
from feeds.clock import Clock, Pacer
from feeds.errors import FeedEnded, FeedOpenError
from feeds.frame import Frame
from feeds.practice.circuit import Circuit
from feeds.practice.faultless import Faultless, faultless
from feeds.practice.faults import FaultPlan, Habit, Scatter
from feeds.practice.hollow_ridge import hollow_ridge
from feeds.practice.planner import DrivenStretch
from feeds.practice.sampling import CHANNELS, Noise, frames_of
from feeds.practice.simulate import FaultTruth, Run, faults_of

HABITS = FaultPlan.of(
    Habit("Quarry", "brake_early", 16.0, spread=2.0),
    Habit("Beacon", "throttle_late", 14.0, spread=2.0),
    Habit("Cauldron", "slow_middle", 2.2, spread=0.3),
    Habit("Signal", "coasting", 30.0, spread=3.0),
)
"""The demo driver's initial faults."""


class PracticeFeed(Feed):
    """A simulated car and driver without any source; deterministic for a ``seed``.

    ``laps`` timed laps after a short out-lap, endless if None. ``faults`` are the driver's habits; each cue about one
    (``hear``) reduces it by the share ``learns`` from the next stretch on (a stretch ends on the longest straight of
    the lap). ``speed`` 1 is real time, ``math.inf`` without waiting. Raises FeedOpenError for impossible numbers or
    corners.
    """

    name: ClassVar[str] = "practice"
    live = False

    def __init__(
        self,
        circuit: Circuit | Faultless | None = None,
        *,
        seed: int = 1,
        rate_hz: float = 60.0,
        laps: int | None = None,
        faults: FaultPlan | None = None,
        scatter: Scatter | None = None,
        noise: Noise | None = None,
        learns: float = 0.5,
        speed: float = math.inf,
        clock: Clock | None = None,
    ) -> None:
        super().__init__(clock, frozenset((*CHANNELS, "seq")))
        if laps is not None and laps < 1:
            raise FeedOpenError(f"practice: laps: expected at least 1, found {laps}")
        if not 0.0 <= learns <= 1.0:
            raise FeedOpenError(f"practice: learns: expected 0 to 1, found {learns}")
        if faults is None:
            faults = HABITS if circuit is None else FaultPlan()
        try:
            base = circuit if isinstance(circuit, Faultless) else faultless(circuit or hollow_ridge())
            self._run = Run(base, rate_hz=rate_hz, seed=seed, plan=faults, scatter=scatter)
            self._pacer = Pacer(speed, self._clock)
        except ValueError as e:
            raise FeedOpenError(f"practice: {e}") from None
        self.base = base
        self._laps, self._noise, self._seed, self._learns = laps, noise, seed, learns
        self._at_once = speed == math.inf
        self._batch = max(1, round(rate_hz / 4))
        self._waiting: deque[Frame] = deque()
        self._stretches: list[DrivenStretch] = []
        self._lap_start: dict[int, float] = {}
        self._sent = 0

    def hear(self, corner: int | str, fault: str) -> None:
        """Tell the driver about a fault at a corner (index or name); ignore unknown ones."""
        habits = self._run.plan.habits
        self._run.plan = FaultPlan(tuple(self._after_hearing(h, corner, fault) for h in habits))

    def frames(self) -> Iterator[Frame]:
        """Yield all frames to the end (endless without ``laps``) without waiting."""
        while True:
            try:
                frame = self.read(1.0)
            except FeedEnded:
                return
            if frame is not None:
                yield frame

    __iter__ = frames

    @property
    def lap_times_s(self) -> dict[int, float]:
        """The exact time of each lap driven so far [s]; lap 0 is the out-lap and has none."""
        laps = sorted(self._lap_start)
        return {a: self._lap_start[b] - self._lap_start[a] for a, b in pairwise(laps)}

    @property
    def truth(self) -> list[FaultTruth]:
        """The cost of each fault driven so far."""
        return [fault for stretch in self._stretches for fault in faults_of(self._run.planner, stretch)]

    def _after_hearing(self, habit: Habit, corner: int | str, fault: str) -> Habit:
        corners = self.base.corners
        index = self.base.corner(habit.corner)
        if habit.fault != fault or corner not in (index, corners[index].name):
            return habit
        return replace(habit, amount=habit.amount * (1.0 - self._learns))

    def _receive(self, timeout_s: float) -> Iterable[Frame] | None:
        if not self._waiting:
            self._drive_on()
        if not self._at_once:
            return (self._waiting.popleft(),) if self._pacer.wait(self._waiting[0].t_s, timeout_s) else None
        return [self._waiting.popleft() for _ in range(min(self._batch, len(self._waiting)))]

    def _drive_on(self) -> None:
        """Simulate the next stretch; raise FeedEnded once the last lap is complete."""
        end = None if self._laps is None else self._lap_start.get(self._laps + 1)
        if end is not None:
            raise FeedEnded(self.name)
        stretch, sampled = self._run.advance()
        self._stretches.append(stretch)
        self._lap_start.update(sampled.crossings)
        channels = sampled.channels
        if self._laps is not None and (end := self._lap_start.get(self._laps + 1)) is not None:
            keep = channels["t_s"] < end + 0.5
            channels = {name: values[keep] for name, values in channels.items()}
        self._waiting.extend(frames_of(channels, self._noise, self._seed + self._sent, self._sent))
        self._sent += len(channels["t_s"])
        self.counters.add("received", len(self._waiting))
