"""The one path: frames in, what happened out. No clock, no thread, no I/O: time is the frames' own.

    frames -> intake -> locator -> history -> course (places passed) -> phases, passes, talker -> Happened

Live, replay and tests push the same frames and get the same answer, whether one by one or in chunks.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.bands import Bands
from coach.core.candidates import Moment
from coach.core.car import car_of, slope_of
from coach.core.columns import Columns
from coach.core.course import Course, Kind
from coach.core.diagnosis import Diagnosis
from coach.core.history import History
from coach.core.intake import Intake
from coach.core.lapbook import LapBook
from coach.core.locator import Fixes, Locator
from coach.core.passes import Driven, PassBuilder, Piece
from coach.core.phases import QUIET, Event, Phase, step
from coach.core.reference import Reference
from coach.core.rules import RuleSet
from coach.core.schedule import Memory
from coach.core.talker import Talker
from coach.core.timing import OWN_BRAKE_M, UNKNOWN_BRAKE_M, time_to
from coach.core.trace import MARGIN_M
from coach.core.values import Corner, Decision, LapDone, Pass, PhaseChange, View
from coach.core.zones import zones
from feeds.frame import Frame

CHUNK: Final = 1024
"""Frames looked at together; the result does not depend on it."""
WHEELS_OFF: Final = 3
"""This many wheels outside the limit make a pass and its lap invalid (common practice, no source)."""
BRAKE_ON: Final = 0.1
OWN_BRAKES: Final = 8
"""So many of his last brake points tell where a driver may brake the next time."""
_EVENT: Final = {Kind.ZONE: Event.ZONE, Kind.TURN_IN: Event.TURN_IN, Kind.APEX: Event.APEX, Kind.END: Event.END}


@dataclass
class Happened:
    """What came of the frames pushed, in order of time within each list."""

    decisions: list[Decision] = field(default_factory=list)
    passes: list[Pass] = field(default_factory=list)
    laps: list[LapDone] = field(default_factory=list)
    phases: list[PhaseChange] = field(default_factory=list)

    def add(self, other: Happened) -> None:
        """Append what happened later."""
        self.decisions += other.decisions
        self.passes += other.passes
        self.laps += other.laps
        self.phases += other.phases


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
        self.reference = reference
        self.corners = corners
        self.zones = zones(corners, reference.length_m, reference.closed)
        self.intake = Intake()
        self.locator = Locator(reference)
        self.history = History()
        self.builder = PassBuilder(reference, self.zones)
        self.diagnosis = Diagnosis(self.builder.corners, car_of(reference))
        self.bands = bands if bands is not None else Bands()
        self.course = Course(reference, self.zones)
        self.laps = LapBook()
        self.talker = Talker(rules, tuple(c.name for c in corners), durations or {}, memory)
        slope = slope_of(reference)
        self._gradient = [_mean_slope(slope, reference, z.quiet_m, z.apex_m) for z in self.zones]
        self.phase = Phase.LOST
        self.corner = -1
        self.counts: Counter[str] = Counter()
        self.kept: list[Driven] | None = None
        """Set to a list to keep every pass as it was driven, for a second look after the run."""
        self._front = 0.0
        self._brake = 0.0
        self._last = (0.0, 0.0, 0.0)
        self._line_t = float("nan")
        self._sure = False
        self._own_brake: dict[int, deque[float]] = {}
        self._pit = False

    # what goes in

    def push(self, frame: Frame) -> Happened:
        """Take one frame."""
        return self.push_columns(Columns.of((frame,)))

    def push_columns(self, chunk: Columns) -> Happened:
        """Take frames in the order given."""
        happened = Happened()
        for start in range(0, len(chunk), CHUNK):
            for run, why in self.intake.take(chunk.part(start, start + CHUNK)):
                if why:
                    self._interrupt(why, float(run["t_s"][0]), happened)
                    self.locator.reset()
                self._located(run, happened)
        return happened

    def finish(self) -> Happened:
        """The session ended: measure what can be, hold back what is open."""
        happened = Happened()
        t, u, _ = self._last
        if self.phase is not Phase.LOST and len(self.history):
            reach = float(self.history.u_m.max())
            self._measure_rest(reach, happened)
        happened.decisions += self.talker.hush(t, self._s(u), "session over")
        return happened

    def _measure_rest(self, reach_m: float, happened: Happened) -> None:
        """Passes that ended at or just before the end of the record; a lap may end exactly there."""
        ahead = Course(self.reference, self.zones)
        ahead.begin(self._front)
        length = self.reference.length_m
        for _, kind, corner, lap in ahead.pass_by(reach_m + length):
            if kind is not Kind.MEASURE:
                continue
            zone = self.zones[corner].shifted(lap * length)
            seam = (lap + 1) * length
            for stop in (zone.next_start_m, seam):
                if zone.end_m < stop <= min(zone.next_start_m, reach_m + MARGIN_M):
                    self._measure(corner, lap, happened, stop)
                    break

    # the way through

    def _located(self, run: Columns, happened: Happened) -> None:
        for fixes, how in self.locator.locate(run):
            if how == "lost":
                self._interrupt("lost", self._last[0], happened)
                continue
            if how == "found":
                self._found(run, fixes, happened)
            self._advance(run, fixes, happened)

    def _found(self, run: Columns, fixes: Fixes, happened: Happened) -> None:
        u, t = float(fixes.u_m[0]), float(fixes.t_s[0])
        row = int(fixes.row[0])
        speed = float(run["speed_mps"][row])
        begin, begin_t = u, t
        seam = np.floor(u / self.reference.length_m) * self.reference.length_m
        if u - seam <= MARGIN_M and speed > 3.0:
            # a record that begins at the line: the few metres to it are driven at the first speed
            begin, begin_t = float(seam), t - (u - float(seam)) / speed
            self.laps.begin(self._lap(u), begin_t)
            self._line_t = begin_t
        self.builder.begin(begin, begin_t)
        self.history.clear()
        self.course.begin(begin)
        self._front = begin
        self._last = (begin_t, begin, speed)
        self._change(Event.FOUND, t, u, -1, self._lap(u), happened)

    def _advance(self, run: Columns, fixes: Fixes, happened: Happened) -> None:
        n = len(fixes.row)
        whole = n == len(run)
        self.history.add(run, fixes)
        u, t = fixes.u_m, fixes.t_s
        v = run["speed_mps"] if whole else run["speed_mps"][fixes.row]
        front = np.maximum.accumulate(np.concatenate(([self._front], u)))[1:]
        brake = run["brake"] if whole else run["brake"][fixes.row]
        pressed = np.flatnonzero((brake > BRAKE_ON) & ~(np.concatenate(([self._brake], brake[:-1])) > BRAKE_ON))
        self._flags(run, fixes)
        events = self._places(front)
        if len(pressed):
            events = sorted([*events, *((int(i), Kind.BRAKE, -1, 0) for i in pressed)], key=lambda e: e[0])
        at = 0
        while True:
            row = int(np.searchsorted(t, self.talker.wake_s)) if self.talker.wake_s <= t[-1] else n
            if at < len(events) and events[at][0] <= row:
                self._event(events[at], t, u, v, brake, fixes, happened)
                at += 1
            elif row < n:
                held = bool(brake[row] > BRAKE_ON)
                self._speak(float(t[row]), float(u[row]), float(v[row]), bool(fixes.sure[row]), held, happened)
            else:
                break
        self._front = float(front[-1])
        self._brake = float(brake[-1])
        self._last = (float(t[-1]), float(u[-1]), float(v[-1]))
        self._sure = bool(fixes.sure[-1])

    def _places(self, front: NDArray[np.float64]) -> list[tuple[int, Kind, int, int]]:
        if self.course.next_m > front[-1]:
            return []
        passed = list(self.course.pass_by(float(front[-1])))
        rows = np.searchsorted(front, [p[0] for p in passed])
        return [(int(row), kind, corner, lap) for row, (_, kind, corner, lap) in zip(rows, passed, strict=True)]

    def _event(
        self,
        event: tuple[int, Kind, int, int],
        t: NDArray[np.float64],
        u: NDArray[np.float64],
        v: NDArray[np.float64],
        brake: NDArray[np.float64],
        fixes: Fixes,
        happened: Happened,
    ) -> None:
        row, kind, corner, lap = event
        now, here = float(t[row]), float(u[row])
        if kind is Kind.LINE:
            before_t, before_u = (float(t[row - 1]), float(u[row - 1])) if row else self._last[:2]
            seam = np.round(here / self.reference.length_m) * self.reference.length_m
            part = (seam - before_u) / (here - before_u) if here > before_u else 1.0
            self._line_t = before_t + float(np.clip(part, 0.0, 1.0)) * (now - before_t)
            self.talker.new_lap(self._lap(here))
        elif kind is Kind.MEASURE:
            self._measure(corner, lap, happened)
        elif kind is Kind.OPEN:
            if bool(fixes.sure[row]) and not self._pit:
                moment = self._moment(corner, lap, now)
                happened.decisions += self.talker.open_approach(moment, self._s(here))
        elif kind is Kind.BRAKE:
            # a feed without pedals brakes where the profile says so
            if corner < 0 or not np.isfinite(brake[row]):
                self._change(Event.BRAKE, now, here, self.corner, lap, happened)
        else:
            self._change(_EVENT[kind], now, here, corner, lap, happened)
            if kind is Kind.ZONE and brake[row] > BRAKE_ON:
                self._change(Event.BRAKE, now, here, corner, lap, happened)
            if kind is Kind.END and bool(fixes.sure[row]) and not self._pit:
                happened.decisions += self.talker.open_after(self._moment(corner, lap, now), self._s(here))

    def _change(self, event: Event, t: float, u: float, corner: int, lap: int, happened: Happened) -> None:
        """Move the phase on; places of a corner that is not followed change nothing."""
        if self.phase is Phase.STRAIGHT and event in (Event.TURN_IN, Event.APEX, Event.END):
            return
        before = self.phase
        self.phase = step(self.phase, event)
        if event is Event.ZONE:
            self.corner = corner
        if self.phase is not before:
            happened.phases.append(PhaseChange(t, self._lap(u), self._s(u), self.corner, self.phase.value, event.value))

    def _interrupt(self, why: str, t: float, happened: Happened) -> None:
        """Tracking ended: what is being driven can not be measured whole."""
        self.counts[why] += 1
        if self.phase is Phase.LOST:
            return
        self.laps.spoil(self._lap(self._last[1]), why)
        self.builder.interrupt()
        self._line_t = float("nan")
        self._sure = False
        self._change(Event.LOST, t, self._last[1], self.corner, 0, happened)
        happened.decisions += self.talker.hush(t, self._s(self._last[1]), "lost")

    # passes and laps

    def _measure(self, corner: int, lap: int, happened: Happened, stop_m: float = float("inf")) -> None:
        driven = self.builder.build(self.history, corner, lap, stop_m)
        if driven is None:
            return
        findings = self.diagnosis.findings(driven, self.bands) if driven.whole else ()
        off = driven.measures.get("wheels_off", float("nan"))
        valid = driven.whole and not off >= WHEELS_OFF and not self._pit
        if off >= WHEELS_OFF:
            self.laps.spoil(lap, "off track")
        if driven.whole:
            happened.passes.append(self._pass(driven, findings, valid))
            if self.kept is not None:
                self.kept.append(driven)
        if valid:
            self.bands.learn(corner, driven.gaps)
            self._own_brake.setdefault(corner, deque(maxlen=OWN_BRAKES)).append(driven.measures["brake_start_m"])
            self.talker.passed(corner, findings)
        ended = self.laps.add(driven)
        if ended is not None:
            happened.laps.append(ended)
        self.history.forget(driven.zone.next_start_m - 300.0)

    def _pass(self, driven: Driven, findings: tuple[object, ...], valid: bool) -> Pass:
        return Pass(
            lap=driven.lap,
            corner=driven.corner,
            t_s=self._last[0] if driven.trace is None else float(driven.trace.t_s[-1]),
            loss_entry_s=driven.loss("entry"),
            loss_middle_s=driven.loss("middle"),
            loss_exit_s=driven.loss("exit"),
            loss_straight_s=driven.loss("straight"),
            measures=driven.measures,
            gaps=driven.gaps,
            findings=findings,  # type: ignore[arg-type]
            valid=valid,
        )

    def pieces(self) -> Iterator[Piece]:
        """The losses since this was last asked for, piece by piece, for the sum of a lap."""
        pieces, self.laps.pieces = self.laps.pieces, []
        yield from pieces

    def _flags(self, run: Columns, fixes: Fixes) -> None:
        pit = run["in_pit"][fixes.row[-1]]
        self._pit = bool(pit > 0.5)
        if self._pit:
            self.laps.spoil(self._lap(float(fixes.u_m[-1])), "pit")

    # speech

    def _moment(self, corner: int, lap: int, now: float) -> Moment:
        length = self.reference.length_m
        zone = self.zones[corner].shifted(lap * length)
        following = (corner + 1) % len(self.zones)
        next_lap = lap + (1 if following == 0 else 0)
        approach = self.course.approaches[corner]
        return Moment(
            now,
            lap,
            corner,
            zone,
            self._quiet(approach.anchor, lap - 1 if approach.anchor > corner else lap),
            self._quiet(following, next_lap),
            self._gradient[corner],
            self.talker.spoken_in(lap),
            approach.named,
            self.zones,
        )

    def _quiet(self, corner: int, lap: int) -> float:
        """Where it gets quiet before a corner: the profile's brake point, or the driver's own if he brakes earlier."""
        zone = self.zones[corner]
        quiet = zone.quiet_m
        own = self._own_brake.get(corner, ())
        if not own and zone.brake_m == zone.brake_m:
            quiet -= UNKNOWN_BRAKE_M
        quiet = min([quiet, *(b - OWN_BRAKE_M for b in own if b == b)])
        return quiet + lap * self.reference.length_m

    def _speak(self, now: float, u: float, v: float, sure: bool, braking: bool, happened: Happened) -> None:
        if not sure or self._pit:
            happened.decisions += self.talker.hush(now, self._s(u), "lost" if not sure else "pit")
            return

        def reach(place_m: float) -> float:
            return now + time_to(self.reference, u, v, place_m)

        may_speak = self.phase not in QUIET and not braking
        happened.decisions += self.talker.consider(now, self._s(u), reach, may_speak)

    # what to show

    def view(self) -> View:
        """What a glance needs after the last frame."""
        t, u, v = self._last
        if self.phase is Phase.LOST:
            return View(t, "lost" if self.counts else "waiting", speed_mps=v)
        s = self._s(u)
        delta = t - self._line_t - float(self.reference.at("t_s", s))
        corner, to_brake = self._next_corner(u)
        return View(
            t,
            "pit" if self._pit else "live",
            self._lap(u),
            s,
            v,
            delta,
            self.reference.lap_time_s + delta,
            corner,
            to_brake,
            self.phase.value,
        )

    def _next_corner(self, u: float) -> tuple[str, float]:
        if not self.zones:
            return "", float("nan")
        length = self.reference.length_m
        s = self._s(u)
        for zone in self.zones:
            if s < zone.apex_m:
                return zone.corner.say or zone.corner.name, max(zone.quiet_m - s, 0.0)
        first = self.zones[0]
        return first.corner.say or first.corner.name, max(first.quiet_m + length - s, 0.0)

    def _lap(self, u: float) -> int:
        return int(u // self.reference.length_m) if self.reference.closed else 0

    def _s(self, u: float) -> float:
        return u - self._lap(u) * self.reference.length_m


def _mean_slope(slope: NDArray[np.float64], reference: Reference, low_m: float, high_m: float) -> float:
    nodes = np.arange(
        int(low_m / reference.step_m), max(int(high_m / reference.step_m), int(low_m / reference.step_m) + 1)
    )
    return float(slope[np.mod(nodes, len(slope))].mean()) if np.isfinite(reference.z_m).all() else float("nan")
