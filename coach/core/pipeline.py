"""The one path: frames in, what happened out. No clock, no thread, no I/O: time is the frames' own.

    frames -> intake -> locator -> history -> course (places passed) -> phases, passes, talker -> Happened

Live, replay and tests push the same frames and get the same answer, whether one by one or in chunks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Final

from coach.core.asking import Request
from coach.core.bands import Bands
from coach.core.columns import Columns
from coach.core.diagnosis import Diagnosis
from coach.core.driving import Change, Driving
from coach.core.ground import Ground
from coach.core.happened import Happened as Happened
from coach.core.intake import Intake
from coach.core.judging import Judged
from coach.core.locator import Locator
from coach.core.memory import Memory
from coach.core.passes import Driven, PassBuilder, Piece
from coach.core.phases import Phase
from coach.core.reference import Reference
from coach.core.rules import RuleSet
from coach.core.speaking import Speaking
from coach.core.talker import Talker
from coach.core.tones import ToneOptions
from coach.core.values import Corner, View
from coach.core.zones import Zone
from feeds.frame import Frame

CHUNK: Final = 2048
"""Frames looked at together; the result does not depend on it."""
FEW: Final = 32
"""Up to so many frames are quicker one by one: arrays have a fixed price. The result does not depend on it."""


class Pipeline:
    """One car against one reference, with one set of rules."""

    def __init__(
        self,
        reference: Reference,
        corners: tuple[Corner, ...],
        rules: RuleSet,
        durations: Mapping[str, float] | None = None,
        memory: Memory | None = None,
        bands: Bands | None = None,
    ) -> None:
        ground = Ground(reference, corners)
        talker = Talker(rules, tuple(c.name for c in corners), durations or {}, memory)
        self.intake = Intake()
        self.locator = Locator(reference)
        self.driving = Driving(ground, Speaking(ground, talker), bands if bands is not None else Bands())

    @property
    def reference(self) -> Reference:
        """The lap that is driven against."""
        return self.driving.ground.reference

    @property
    def corners(self) -> tuple[Corner, ...]:
        """The corners as they are now."""
        return self.driving.ground.corners

    @property
    def now_s(self) -> float:
        """Session time of the last frame that was located [s]."""
        return self.driving.last[0]

    @property
    def zones(self) -> tuple[Zone, ...]:
        """The corners' zones."""
        return self.driving.ground.zones

    @property
    def builder(self) -> PassBuilder:
        """What measures the passes."""
        return self.driving.ground.builder

    @property
    def diagnosis(self) -> Diagnosis:
        """What finds causes in them."""
        return self.driving.ground.diagnosis

    @property
    def talker(self) -> Talker:
        """What speaks, and what the driver knows."""
        return self.driving.speaking.talker

    @property
    def bands(self) -> Bands:
        """The driver's scatter."""
        return self.driving.measuring.bands

    @property
    def phase(self) -> Phase:
        """Where in a corner, or between corners, the car is."""
        return self.driving.phase

    @property
    def counts(self) -> Counter[str]:
        """How often tracking ended, by why."""
        return self.driving.counts

    @property
    def kept(self) -> list[Driven] | None:
        """Every pass as it was driven, for a second look after the run; set it to a list to have them kept."""
        return self.driving.measuring.kept

    @kept.setter
    def kept(self, kept: list[Driven] | None) -> None:
        self.driving.measuring.kept = kept

    @property
    def judged(self) -> list[Judged]:
        """How each of the ``kept`` passes was judged."""
        return self.driving.measuring.judged

    def push(self, frame: Frame) -> Happened:
        """Take one frame."""
        return self.push_columns(Columns.of((frame,)))

    def push_columns(self, chunk: Columns) -> Happened:
        """Take frames in the order given."""
        happened = Happened()
        if len(chunk) <= FEW:
            for i, row in enumerate(chunk.data.T.tolist()):
                self._take_one(chunk, i, row, happened)
        else:
            for start in range(0, len(chunk), CHUNK):
                self._take(chunk.part(start, start + CHUNK), happened)
        return happened

    def _take(self, chunk: Columns, happened: Happened) -> None:
        for run, why in self.intake.take(chunk):
            if why:
                self.driving.interrupt(why, float(run["t_s"][0]), happened)
                self.locator.reset()
            self._locate(run, happened)

    def _take_one(self, chunk: Columns, i: int, row: list[float], happened: Happened) -> None:
        """Frame ``i`` of ``chunk``, ``row`` in plain floats: most of them only move the car on a little."""
        if not self.intake.goes_on(row):
            self._take(chunk.part(i, i + 1), happened)
        elif (fix := self.locator.follow(row)) is None:
            self._locate(chunk.part(i, i + 1), happened)
        elif not self.driving.goes_on(row, fix):
            self.driving.advance(chunk.part(i, i + 1), fix.fixes(), happened)
            self._follow_plan()

    def _locate(self, run: Columns, happened: Happened) -> None:
        driving = self.driving
        for fixes, how in self.locator.locate(run):
            if how == "lost":
                driving.interrupt("lost", driving.last[0], happened)
                continue
            if how == "found":
                driving.found(fixes, happened)
            stopped = driving.advance(run, fixes, happened)
            if stopped is not None:
                # another reference from here on: the rest was located on the old one
                self._follow_plan()
                self._locate(run.part(stopped + 1, len(run)), happened)
                return

    def _follow_plan(self) -> None:
        """Where the plan brought another reference, the car has to be found on it."""
        if self.locator.reference is not self.reference:
            self.locator = Locator(self.reference)

    def finish(self) -> Happened:
        """The session ended: measure what can be, hold back what is open."""
        return self.driving.finish()

    def ask(self, request: Request) -> Happened:
        """The driver asks for something after the last frame; it is answered by frames to come, in a quiet moment."""
        happened = Happened()
        self.driving.ask(request, happened)
        return happened

    def sound(self, tones: ToneOptions) -> None:
        """Sound these tones from the last frame on."""
        self.driving.tones.choose(tones, *self.driving.last[:2])

    def swap(
        self,
        corners: tuple[Corner, ...],
        rules: RuleSet,
        reference: Reference | None = None,
        durations: Mapping[str, float] | None = None,
    ) -> None:
        """Drive by other corners and rules from the next straight on; what the driver knows is kept, by name.

        A new ``reference`` is taken up at the next straight too, but the car has to be found on it first.
        """
        self.driving.waiting = Change(corners, rules, reference, durations)
        if self.phase is Phase.LOST:
            self.driving.take_change(*self.driving.last[:2], Happened())
            self._follow_plan()

    def pieces(self) -> Iterator[Piece]:
        """The losses since this was last asked for, piece by piece, for the sum of a lap."""
        laps = self.driving.measuring.laps
        pieces, laps.pieces = laps.pieces, []
        yield from pieces

    def view(self) -> View:
        """What a glance needs after the last frame."""
        return self.driving.view()
