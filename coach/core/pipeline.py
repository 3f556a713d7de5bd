"""The one path: frames in, events out. No clock, thread or I/O: time comes from the frames.

frames -> clock gate -> locator -> history -> course (places passed) -> phases, passes, cue engine -> Events

Live, replay and tests push the same frames and get the same result, one by one or in chunks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Final

from coach.core.columns import Columns
from coach.core.cue.asking import Request
from coach.core.cue.cue_context import CueContext
from coach.core.cue.cue_engine import CueEngine
from coach.core.cue.memory import DriverProgress
from coach.core.cue.rules import RuleSet
from coach.core.cue.tones import ToneOptions
from coach.core.diagnose.judging import Judged
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.events import Events as Events
from coach.core.locate.clock_gate import ClockGate
from coach.core.locate.locator import Locator
from coach.core.measure.passes import LossPiece, PassRecord
from coach.core.phases import Phase
from coach.core.session_tracker import Change, SessionTracker
from coach.core.track.reference import Reference
from coach.core.track_model import TrackModel
from coach.core.values import Corner, View
from feeds.frame import Frame

CHUNK: Final = 2048
"""Chunk size; the result does not depend on it."""
FEW: Final = 32
"""Largest chunk processed frame by frame, as arrays have a fixed cost; the result does not depend on it."""


class Pipeline:
    """One car against one reference, with one set of rules."""

    def __init__(
        self,
        reference: Reference,
        corners: tuple[Corner, ...],
        rules: RuleSet,
        durations: Mapping[str, float] | None = None,
        memory: DriverProgress | None = None,
        tolerance: ToleranceModel | None = None,
    ) -> None:
        track_model = TrackModel(reference, corners)
        cue_engine = CueEngine(rules, tuple(c.name for c in corners), durations or {}, memory)
        self.clock_gate = ClockGate()
        self.locator = Locator(reference)
        self.session_tracker = SessionTracker(
            track_model, CueContext(track_model, cue_engine), tolerance if tolerance is not None else ToleranceModel()
        )

    @property
    def reference(self) -> Reference:
        """The reference lap."""
        return self.session_tracker.track_model.reference

    @property
    def corners(self) -> tuple[Corner, ...]:
        """The current corners."""
        return self.session_tracker.track_model.corners

    @property
    def now_s(self) -> float:
        """Session time of the last located frame [s]."""
        return self.session_tracker.last[0]

    @property
    def track_model(self) -> TrackModel:
        """Reference and corners with their zones, measuring and diagnosis."""
        return self.session_tracker.track_model

    @property
    def cue_engine(self) -> CueEngine:
        """The cue engine, which also holds the driver's progress."""
        return self.session_tracker.cue_context.cue_engine

    @property
    def tolerance(self) -> ToleranceModel:
        """The driver's scatter."""
        return self.session_tracker.measuring.tolerance

    @property
    def counts(self) -> Counter[str]:
        """Number of tracking losses by reason."""
        return self.session_tracker.counts

    @property
    def kept(self) -> list[PassRecord] | None:
        """All passes, for a review after the run; set it to a list to keep them."""
        return self.session_tracker.measuring.kept

    @kept.setter
    def kept(self, kept: list[PassRecord] | None) -> None:
        self.session_tracker.measuring.kept = kept

    @property
    def judged(self) -> list[Judged]:
        """The judgement of each of the ``kept`` passes."""
        return self.session_tracker.measuring.judged

    def push(self, frame: Frame) -> Events:
        """Process one frame."""
        return self.push_columns(Columns.of((frame,)))

    def push_columns(self, chunk: Columns) -> Events:
        """Process frames in the given order."""
        events = Events()
        if len(chunk) <= FEW:
            for i, row in enumerate(chunk.data.T.tolist()):
                self._take_one(chunk, i, row, events)
        else:
            for start in range(0, len(chunk), CHUNK):
                self._take(chunk.part(start, start + CHUNK), events)
        return events

    def _take(self, chunk: Columns, events: Events) -> None:
        for run, why in self.clock_gate.take(chunk):
            if why:
                self.session_tracker.interrupt(why, float(run["t_s"][0]), events)
                self.locator.reset()
            self._locate(run, events)

    def _take_one(self, chunk: Columns, i: int, row: list[float], events: Events) -> None:
        """Process frame ``i`` of ``chunk`` (``row`` as plain floats): most frames only advance the car."""
        if not self.clock_gate.try_fast_path(row):
            self._take(chunk.part(i, i + 1), events)
        elif (fix := self.locator.follow(row)) is None:
            self._locate(chunk.part(i, i + 1), events)
        elif not self.session_tracker.try_fast_path(row, fix):
            self.session_tracker.advance(chunk.part(i, i + 1), fix.fixes(), events)
            self._follow_plan()

    def _locate(self, run: Columns, events: Events) -> None:
        session_tracker = self.session_tracker
        for fixes, how in self.locator.locate(run):
            if how == "lost":
                session_tracker.interrupt("lost", session_tracker.last[0], events)
                continue
            if how == "found":
                session_tracker.found(fixes, events)
            stopped = session_tracker.advance(run, fixes, events)
            if stopped is not None:
                # the reference changed here: the rest was located on the old one
                self._follow_plan()
                self._locate(run.part(stopped + 1, len(run)), events)
                return

    def _follow_plan(self) -> None:
        """Re-acquire the car after a reference change."""
        if self.locator.reference is not self.reference:
            self.locator = Locator(self.reference)

    def finish(self) -> Events:
        """End the session: measure complete passes and hold pending cues."""
        return self.session_tracker.finish()

    def ask(self, request: Request) -> Events:
        """Take a driver request made after the last frame; later frames answer it in a quiet moment."""
        events = Events()
        self.session_tracker.ask(request, events)
        return events

    def sound(self, tones: ToneOptions) -> None:
        """Use these tones after the last frame."""
        self.session_tracker.tones.choose(tones, *self.session_tracker.last[:2])

    def swap(
        self,
        corners: tuple[Corner, ...],
        rules: RuleSet,
        reference: Reference | None = None,
        durations: Mapping[str, float] | None = None,
    ) -> None:
        """Change corners and rules at the next straight; the driver's progress is kept by name.

        A new ``reference`` also takes effect at the next straight, once the car is located on it.
        """
        self.session_tracker.waiting = Change(corners, rules, reference, durations)
        if self.session_tracker.phase is Phase.LOST:
            self.session_tracker.take_change(*self.session_tracker.last[:2], Events())
            self._follow_plan()

    def pieces(self) -> Iterator[LossPiece]:
        """Yield the losses since the last call, piece by piece, to sum up a lap."""
        laps = self.session_tracker.measuring.laps
        pieces, laps.pieces = laps.pieces, []
        yield from pieces

    def view(self) -> View:
        """Return the view after the last frame."""
        return self.session_tracker.view()
