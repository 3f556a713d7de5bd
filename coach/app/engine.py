"""The live loop: passes frames from a feed through the core to the outputs and the recorder; the feed alone sets the
pace.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

import msgspec

from coach.core.columns import Columns
from coach.core.events import Events
from coach.core.values import Decision, LapDone, Mark, View
from coach.outputs.base import Output
from feeds.frame import Frame

VIEW_EVERY_S: Final = 1.0 / 30.0
SILENT_AFTER_S: Final = 1.0
MOST_FRAMES: Final = 256
WAIT_S: Final = 0.05


class FramePath(Protocol):
    """The part of the core that the engine needs: a pipeline, or a lap timer while there is no reference."""

    def push_columns(self, chunk: Columns) -> Events:
        """Process frames."""

    def finish(self) -> Events:
        """End the session and return its last events."""

    def view(self) -> View:
        """Return the current view for the overlay."""


class FrameSource(Protocol):
    """The part of a feed the engine needs; raises ``ended`` (given to the engine) at the end."""

    def read_many(self, max_frames: int, timeout_s: float) -> list[Frame]:
        """Return received frames; wait for the first."""


class Recorder(Protocol):
    """The part of a session writer the engine needs."""

    def frames(self, columns: Columns) -> None:
        """Record a chunk."""

    def decision(self, decision: Decision) -> None:
        """Record a decision."""

    def lap(self, lap: LapDone) -> None:
        """Record a lap."""

    def mark(self, mark: Mark) -> None:
        """Record a mark."""


@dataclass
class RunStats:
    """Statistics of a run."""

    frames: int = 0
    laps: list[LapDone] = field(default_factory=list)
    spoken: int = 0
    held: int = 0
    busy_s: float = 0.0
    """Time from receiving frames to delivering their results [s]."""


class Engine:
    """Drives one run; calls ``on_spoken`` with each spoken decision (the practice driver listens there).

    The engine calls ``on_frames`` after each batch until it returns true: for messages that need a known feed. It calls
    ``before_frames`` before each batch with the number of frames so far, to apply plan edits, and ``asked`` in each
    cycle with that number, to handle button presses. ``watch`` takes the received frames (often none) and the time by
    ``clock`` [s], and returns the view's status line.
    """

    def __init__(
        self,
        feed: FrameSource,
        pipeline: FramePath,
        outputs: Output,
        recorder: Recorder | None,
        ended: type[Exception],
        on_spoken: Callable[[Decision], None] | None = None,
        on_frames: Callable[[], bool] | None = None,
        before_frames: Callable[[int], object] | None = None,
        watch: Callable[[Sequence[Frame], float], str] | None = None,
        clock: Callable[[], float] = time.monotonic,
        asked: Callable[[int], Events] | None = None,
    ) -> None:
        self.feed = feed
        self.pipeline = pipeline
        self.outputs = outputs
        self.recorder = recorder
        self.tally = RunStats()
        self._ended = ended
        self._on_spoken = on_spoken
        self._on_frames = on_frames
        self._before_frames = before_frames
        self._watch = watch
        self._clock = clock
        self._asked = asked
        self._next_view = 0.0
        self._heard = float("-inf")
        self._first_t = self._last_t = float("nan")

    @property
    def length_s(self) -> float:
        """Session time from the first to the last frame [s]."""
        return self._last_t - self._first_t

    def run(self, stop: Callable[[], bool], laps: int | None = None) -> RunStats:
        """Run until the feed ends, ``stop()`` is true or ``laps`` whole laps are complete."""
        # freeze existing objects: otherwise each garbage collection scans them for many milliseconds
        gc.freeze()
        try:
            while not stop() and (laps is None or len(self.tally.laps) < laps):
                frames = self.feed.read_many(MOST_FRAMES, WAIT_S)
                self._take(frames)
        except self._ended:
            pass
        finally:
            gc.unfreeze()
        self._hand_on(self.pipeline.finish())
        return self.tally

    def _take(self, frames: list[Frame]) -> None:
        now = self._clock()
        if self._asked is not None:
            self._hand_on(self._asked(self.tally.frames))
        if frames:
            if self._before_frames is not None:
                self._before_frames(self.tally.frames)
            chunk = Columns.of(frames)
            events = self.pipeline.push_columns(chunk)
            self._hand_on(events)
            # record last: the cue must not wait for the recorder
            if self.recorder is not None:
                self.recorder.frames(chunk)
            self.tally.frames += len(frames)
            if self._on_frames is not None and self._on_frames():
                self._on_frames = None
            self._heard = now
            self._last_t = frames[-1].t_s
            if self._first_t != self._first_t:
                self._first_t = frames[0].t_s
        status = self._watch(frames, now) if self._watch is not None else ""
        if now >= self._next_view:
            self._next_view = now + VIEW_EVERY_S
            silent = now - self._heard > SILENT_AFTER_S
            view = View(0.0, "waiting") if silent else self.pipeline.view()
            self.outputs.view(msgspec.structs.replace(view, status=status) if status else view)
        if frames:
            self.tally.busy_s += self._clock() - now

    def _hand_on(self, events: Events) -> None:
        for decision in events.decisions:
            spoken = decision.outcome == "spoken"
            self.outputs.decision(decision)
            if self.recorder is not None:
                self.recorder.decision(decision)
            if spoken and self._on_spoken is not None:
                self._on_spoken(decision)
            self.tally.spoken += spoken
            self.tally.held += decision.outcome == "held"
        for mark in events.marks:
            if self.recorder is not None:
                self.recorder.mark(mark)
        for lap in events.laps:
            self.outputs.lap(lap)
            if self.recorder is not None:
                self.recorder.lap(lap)
            self.tally.laps.append(lap)
