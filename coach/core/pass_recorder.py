"""Turns frames into passes, findings and laps at the end of each corner's straight, and of the record."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final, get_args

import msgspec

from coach.core.cue.recent_findings import CARRIES_OUT
from coach.core.diagnose.judging import Judged
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.events import Events
from coach.core.locate.frame_buffer import FrameBuffer
from coach.core.measure.lap_ledger import LapLedger, invalid_reason
from coach.core.measure.passes import PassRecord
from coach.core.measure.trace import SHORT_M
from coach.core.track.course import Course, Kind
from coach.core.track_model import TrackModel
from coach.core.values import Fault, Finding, Pass

KEPT_M: Final = 300.0
"""Length before a straight's end kept for the next corner [m]."""
FAULTS: Final[frozenset[Fault]] = frozenset(get_args(Fault))
Learn = Callable[[PassRecord, tuple[Finding, ...], frozenset[Fault]], None]


class PassRecorder:
    """Records passes and keeps the frames still needed.

    Calls ``measured`` with what each pass shows that counts, ``learn`` with each valid pass and with the line of one
    over the track limits, and ``went_off`` with the corner of one that left the road.
    """

    def __init__(
        self,
        track_model: TrackModel,
        tolerance: ToleranceModel,
        measured: Callable[[int, tuple[Finding, ...]], None],
        learn: Learn,
        went_off: Callable[[int], None],
    ) -> None:
        self.track_model = track_model
        self.tolerance = tolerance
        self.history = FrameBuffer()
        self.laps = LapLedger()
        self.kept: list[PassRecord] | None = None
        self.latest: Pass | None = None
        """The last pass that was measured whole."""
        self.judged: list[Judged] = []
        """The judgement of each of the ``kept`` passes."""
        self._waiting: list[tuple[Judged, tuple[Finding, ...]]] = []
        self._measured = measured
        self._learn = learn
        self._went_off = went_off

    def swap(self, track_model: TrackModel, moved: Mapping[int, int]) -> None:
        """Replace the corners, ``moved`` old -> new; measurements on the same reference continue."""
        before, self.latest = self.track_model, None
        self.track_model = track_model
        track_model.judging.go_on(before.judging, moved)
        self._waiting.clear()
        self.tolerance.renumber(moved)
        if before.reference is track_model.reference and before.builder.known is not None:
            track_model.builder.begin(*before.builder.known)

    def measure(self, corner: int, lap: int, in_pit: bool, events: Events, stop_m: float = float("inf")) -> None:
        """Measure the pass through ``corner`` that began in ``lap`` and is complete (or cut short at ``stop_m``)."""
        driven = self.track_model.builder.build(self.history, corner, lap, stop_m)
        if driven is None:
            if self.track_model.builder.known is not None and stop_m == float("inf"):
                for torn in {lap, self.track_model.lap(self.track_model.builder.known[0])}:
                    self.laps.leave_out(torn)
            return
        why = invalid_reason(driven)
        # a spin or an excursion is not a fault of technique
        told = why not in ("stopped", "off the road")
        # an out-lap has cold tyres and a rolling start: learn nothing from it
        flying = self.laps.flying or not self.track_model.reference.closed
        valid = driven.whole and flying and not why and not in_pit
        if why:
            self.laps.spoil(lap, why)
        if driven.whole:
            judged = self.track_model.judging.judge(driven, counts=valid)
            findings = judged.findings(self.tolerance) if told else ()
            self.latest = _pass(driven, findings, valid)
            events.passes.append(self.latest)
            if self.kept is not None:
                self.kept.append(driven)
                self.judged.append(judged)
            if valid:
                self._measured(corner, findings)
                self._take(judged, findings)
            elif why == "off track" and flying and not in_pit and judged.today.settled:
                self._take_line(driven, findings)
        if why == "off the road":
            self._went_off(corner)
        ended = self.laps.add(driven)
        if ended is not None:
            events.laps.append(ended)
        self.history.forget(driven.zone.next_start_m - KEPT_M)

    def _take(self, judged: Judged, findings: tuple[Finding, ...]) -> None:
        """Learn from a valid pass; hold an outlier until the next pass shows whether the change is permanent."""
        today = judged.today
        if not today.settled:
            # it began with the held passes
            began = [one for one, _ in self._waiting]
            self.judged = [one.unsettled() if one in began else one for one in self.judged]
            self._waiting.clear()
            return
        self._waiting.append((judged, findings))
        if today.odd:
            return
        for one, found in self._waiting:
            self.tolerance.learn(one.driven.corner, one.driven.scatter, one.driven.profile)
            self._learn(one.driven, found, one.resting)
        self._waiting.clear()

    def _take_line(self, driven: PassRecord, findings: tuple[Finding, ...]) -> None:
        """Learn only the line faults of a pass over the track limits; it judges no other fault."""
        line = tuple(f for f in findings if f.fault in CARRIES_OUT)
        self._measured(driven.corner, line)
        if line:
            self._learn(driven, line, FAULTS - {f.fault for f in line})

    def measure_rest(self, front_m: float, in_pit: bool, events: Events) -> None:
        """Measure passes that end at or just before the end of the record; a lap may end exactly there."""
        if not len(self.history):
            return
        reach = float(self.history.u_m.max())
        length = self.track_model.reference.length_m
        ahead = Course(self.track_model.reference, self.track_model.zones)
        ahead.begin(front_m)
        for _, kind, corner, lap in ahead.pass_by(reach + length):
            if kind is not Kind.MEASURE:
                continue
            zone = self.track_model.zones[corner].shifted(lap * length)
            # a corner that lies over the line ends the lap before it is over itself
            for stop in (zone.next_start_m, lap * length, (lap + 1) * length):
                if zone.start_m < stop <= min(zone.next_start_m, reach + SHORT_M):
                    laps = len(events.laps)
                    self.measure(corner, lap, in_pit, events, stop)
                    if len(events.laps) > laps and stop > reach:
                        events.laps[-1] = msgspec.structs.replace(events.laps[-1], short_m=stop - reach)
                    break


def _pass(driven: PassRecord, findings: tuple[Finding, ...], valid: bool) -> Pass:
    assert driven.trace is not None  # a complete pass has one
    return Pass(
        lap=driven.lap,
        corner=driven.corner,
        t_s=float(driven.trace.t_s[-1]),
        loss_entry_s=driven.loss("entry"),
        loss_middle_s=driven.loss("middle"),
        loss_exit_s=driven.loss("exit"),
        loss_straight_s=driven.loss("straight"),
        measures=driven.measures,
        gaps=driven.gaps,
        findings=findings,
        valid=valid,
    )
