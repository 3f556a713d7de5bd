"""Tracks the car along the lap: passed places, phases, and the measuring and cues they trigger.

Whether frames come one by one or in chunks, an event happens at the row that passed its place.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Columns, Floats
from coach.core.cue.asking import About, Asking, Request, Reviewed
from coach.core.cue.calls import Calls
from coach.core.cue.cue_context import CueContext
from coach.core.cue.reasons import Reason
from coach.core.cue.rules import RuleSet
from coach.core.cue.tones import Tones
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.events import Events
from coach.core.locate.locator import Fix, Fixes
from coach.core.measure.lap_ledger import invalid_reason
from coach.core.measure.passes import PassRecord
from coach.core.measure.trace import MARGIN_M
from coach.core.pass_recorder import PassRecorder
from coach.core.phases import QUIET, Event, Phase, step
from coach.core.track.course import Kind
from coach.core.track.reference import Reference
from coach.core.track.timing import free_m
from coach.core.track_model import TrackModel
from coach.core.values import Corner, Fault, Finding, Mark, PhaseChange, View
from feeds.frame import CHANNELS

BRAKE_ON: Final = 0.1
IN_PIT: Final = 0.5
REVIEW_M: Final = 10.0
"""A corner can be reviewed this far beyond its end, as smoothing needs both sides [m]."""
OUT_LAP_SPEED: Final = 0.8
"""A record starting at the line below this share of the reference's speed starts with an out-lap."""
_EVENT: Final = {Kind.ZONE: Event.ZONE, Kind.TURN_IN: Event.TURN_IN, Kind.APEX: Event.APEX, Kind.END: Event.END}
_BRAKE, _PIT = (CHANNELS.index(name) for name in ("brake", "in_pit"))
_Place = tuple[int, Kind, int, int]
"""Row, kind, corner, and the lap in which the corner began."""


@dataclass(frozen=True)
class Change:
    """A plan pending until the next straight."""

    corners: tuple[Corner, ...]
    rules: RuleSet
    reference: Reference | None
    durations: Mapping[str, float] | None


class SessionTracker:
    """One car along one course; ``last`` is its time [s], distance driven [m] and speed [m/s] at the last frame."""

    def __init__(self, track_model: TrackModel, cue_context: CueContext, tolerance: ToleranceModel) -> None:
        self.track_model = track_model
        self.cue_context = cue_context
        self.measuring = PassRecorder(
            track_model, tolerance, cue_context.cue_engine.measured, self._learn, cue_context.cue_engine.went_off
        )
        self.asking = Asking(cue_context, self._review)
        self.calls = Calls(cue_context)
        self.tones = Tones(track_model, cue_context.cue_engine.schedule.memory)
        self.phase = Phase.LOST
        self.corner = -1
        self.counts: Counter[str] = Counter()
        self.last = (0.0, 0.0, 0.0)
        self.waiting: Change | None = None
        self._front = 0.0
        self._brake = 0.0
        self._line_t = float("nan")
        self._pit = False
        self._ended: tuple[int, int] | None = None
        self._corner_lap = 0
        self._marks = 0

    def found(self, fixes: Fixes, events: Events) -> None:
        """Start tracking at the first of ``fixes``."""
        u, t = float(fixes.u_m[0]), float(fixes.t_s[0])
        speed = float(fixes.speed_mps[0])
        begin, begin_t = u, t
        seam = math.floor(u / self.track_model.reference.length_m) * self.track_model.reference.length_m
        if u - seam <= MARGIN_M and speed > 3.0:
            # a record that starts at the line: assume the first speed for the few metres to it
            begin, begin_t = seam, t - (u - seam) / speed
            self.measuring.laps.begin(self.track_model.lap(u), begin_t)
            self._line_t = begin_t
            if speed < OUT_LAP_SPEED * self.track_model.reference.value("speed_mps", seam):
                self.measuring.laps.out_lap(self.track_model.lap(u))
        self.track_model.builder.begin(begin, begin_t)
        self.measuring.history.clear()
        self.track_model.course.begin(begin)
        self._front = begin
        self.last = (begin_t, begin, speed)
        self._ended = self.measuring.latest = None
        self.tones.begin(begin_t, begin)
        self._step(Event.FOUND, t, u, -1, self.track_model.lap(u), events)

    def advance(self, run: Columns, fixes: Fixes, events: Events) -> int | None:
        """Advance by located frames; return the row of ``run`` after which a new reference applies, or None."""
        n = len(fixes.row)
        if not n:
            return None
        rows = run if n == len(run) else Columns(run.data[:, fixes.row])
        self.measuring.history.add(rows, fixes)
        u, t, v, brake = fixes.u_m, fixes.t_s, fixes.speed_mps, rows["brake"]
        pit = rows["in_pit"] > IN_PIT
        for lap in {self.track_model.lap(place) for place in u[pit].tolist()}:
            self.measuring.laps.spoil(lap, "pit")
        front = np.maximum.accumulate(np.concatenate(([self._front], u)))[1:]
        pressed = np.flatnonzero((brake > BRAKE_ON) & ~(np.concatenate(([self._brake], brake[:-1])) > BRAKE_ON))
        entered = np.flatnonzero(pit & ~np.concatenate(([self._pit], pit[:-1])))
        places = _merged(self._places(front, 0), pressed, entered)
        at, end = 0, float(t[-1])
        while True:
            row = int(t.searchsorted(self.wake_s)) if self.wake_s <= end else n
            if at < len(places) and places[at][0] <= row:
                row = places[at][0]
                self._pit = bool(pit[row])
                if self._pit:
                    self.measuring.laps.in_pit(float(t[row]))
                self.measuring.history.hidden = n - 1 - row
                changed = self._event(places[at], fixes, brake, events)
                at += 1
                if changed:
                    # the places change here
                    places = _merged(self._places(front, row), pressed[pressed > row], entered[entered > row])
                    at = 0
                if self.phase is Phase.LOST:
                    self.measuring.history.hidden = 0
                    self.last, self._brake = (float(t[row]), float(u[row]), float(v[row])), float(brake[row])
                    return int(fixes.row[row])
            elif row < n:
                self._pit = bool(pit[row])
                self.measuring.history.hidden = n - 1 - row
                place = (float(t[row]), float(u[row]), float(v[row]))
                self._wake(*place, bool(fixes.sure[row]), bool(brake[row] > BRAKE_ON), events)
            else:
                break
        self.measuring.history.hidden = 0
        self._front, self._brake, self._pit = float(front[-1]), float(brake[-1]), bool(pit[-1])
        self.last = (float(t[-1]), float(u[-1]), float(v[-1]))
        return None

    @property
    def wake_s(self) -> float:
        """Time of the next cue or tone between places [s]."""
        return min(self.cue_context.cue_engine.wake_s, self.tones.wake_s)

    def _wake(self, t: float, u: float, v: float, sure: bool, braking: bool, events: Events) -> None:
        """Speak and sound due cues and tones."""
        if not sure:
            self._cancel_pending(t, u, Reason.LOST, events)
            return
        if self._pit:
            events.decisions += self.cue_context.in_pit(t, u, v)
            events.decisions += self.asking.drop_all(t, u, Reason.PIT)
            self.tones.skip(t, u)
            return
        cue_engine = self.cue_context.cue_engine
        if cue_engine.wake_s <= t:
            events.decisions += self.asking.look(t, u, v, self.phase not in QUIET and not braking)
            events.decisions += self.cue_context.consider(t, u, v, self.phase, braking)
            self.asking.look_again(t)
        if self.tones.wake_s <= t:
            today = self.track_model.judging.condition.today
            if today.as_reference:
                events.decisions += self.tones.look(t, u, v, braking, cue_engine.arbiter)
            else:
                self.tones.skip(t, u)  # the reference's brake point does not apply to other grip

    def _cancel_pending(self, t: float, u: float, reason: Reason, events: Events) -> None:
        """Hold all pending cues."""
        events.decisions += self.cue_context.cancel_pending(t, u, reason)
        events.decisions += self.asking.drop_all(t, u, reason)
        self.tones.skip(t, u)

    def ask(self, request: Request, events: Events) -> None:
        """Take a driver request after the last frame."""
        t, u, _ = self.last
        about = (self.corner, self._corner_lap) if self.phase in QUIET else self._ended
        events.decisions += self.asking.ask(request, t, u, about)
        if self.phase is Phase.LOST:
            events.decisions += self.asking.drop_all(t, u, Reason.LOST)
        elif request == "mark":
            self._marks += 1
            s = self.track_model.place(u)
            x, y = (self.track_model.reference.value(name, s) for name in ("x_m", "y_m"))
            events.marks.append(Mark(t, self.track_model.lap(u), s, x, y, f"mark {self._marks}"))

    def _learn(
        self, driven: PassRecord, findings: tuple[Finding, ...], unjudged: frozenset[Fault] = frozenset()
    ) -> None:
        self.tones.learn(driven.corner, driven.gaps)
        self.cue_context.learn(driven, findings, unjudged)
        self.calls.learn(driven.corner, driven.lap, driven.gaps.get("brake_start_m", math.nan), driven.total_s)

    def _review(self, about: About, u_m: float) -> Reviewed | None:
        """Return the findings of a corner so far; None until it is measured."""
        corner, lap = about
        latest = self.measuring.latest
        if latest is not None and (latest.corner, latest.lap) == about:
            return Reviewed(latest.findings, latest.valid)
        zone = self.track_model.zones[corner].shifted(lap * self.track_model.reference.length_m)
        stop = min(u_m, zone.next_start_m)
        if self._ended != about or stop < zone.end_m + REVIEW_M:
            return None
        cut = self.track_model.builder.peek(self.measuring.history, corner, lap, stop)
        if cut is None or not cut.whole:
            return None
        judged = self.track_model.judging.judge(cut, counts=False)
        return Reviewed(judged.findings(self.measuring.tolerance), not invalid_reason(cut) and judged.today.settled)

    def try_fast_path(self, row: list[float], fix: Fix) -> bool:
        """Advance by a single frame without events; return false and do nothing if it may have one."""
        t, u, offset, speed, _ = fix
        brake, front = row[_BRAKE], max(self._front, u)
        if brake > BRAKE_ON and not self._brake > BRAKE_ON:
            return False
        if self.track_model.course.next_m <= front or self.wake_s <= t or row[_PIT] > IN_PIT:
            return False
        self.measuring.history.add_one(row, u, offset, speed)
        self._front, self._brake, self._pit = front, brake, False
        self.last = (t, u, speed)
        return True

    def interrupt(self, why: str, t: float, events: Events) -> None:
        """End tracking: the current pass cannot be measured completely."""
        self.counts[why] += 1
        if why == "restart":
            self.measuring.laps.restart_clock()
        if self.phase is Phase.LOST:
            return
        self.measuring.laps.spoil(self.track_model.lap(self.last[1]), why)
        self.track_model.builder.interrupt()
        self._line_t = float("nan")
        self.calls.interrupt()
        self._step(Event.LOST, t, self.last[1], self.corner, 0, events)
        self._cancel_pending(t, self.last[1], Reason.LOST, events)

    def finish(self) -> Events:
        """End the session: measure complete passes and hold pending cues."""
        events = Events()
        t, u, _ = self.last
        if self.phase is not Phase.LOST:
            self.measuring.measure_rest(self._front, self._pit, events)
        self._cancel_pending(t, u, Reason.SESSION_OVER, events)
        return events

    def take_change(self, t: float, u: float, events: Events) -> bool:
        """Apply a pending plan change; return whether there was one."""
        change, self.waiting = self.waiting, None
        if change is None:
            return False
        self._cancel_pending(t, u, Reason.PLAN_CHANGED, events)
        names = {c.name: i for i, c in enumerate(change.corners)}
        moved = {i: names[c.name] for i, c in enumerate(self.track_model.corners) if c.name in names}
        reference = change.reference or self.track_model.reference
        if reference is not self.track_model.reference:
            self.interrupt("plan changed", t, events)
        self.track_model = TrackModel(reference, change.corners)
        self.measuring.swap(self.track_model, moved)
        self.cue_context.swap(self.track_model, change.rules, change.durations, moved)
        if self.phase is not Phase.LOST:
            self.track_model.course.begin(u)
        self.tones.swap(self.track_model, t, u)
        self.calls.swap(change.reference is None)
        self.corner, self._ended = -1, None
        return True

    def view(self) -> View:
        """Return the view after the last frame."""
        t, u, v = self.last
        if self.phase is Phase.LOST:
            return View(t, "lost" if self.counts else "waiting", speed_mps=v)
        s = self.track_model.place(u)
        delta = t - self._line_t - self.track_model.reference.value("t_s", s)
        zone, to_brake = self.track_model.next_corner(u)
        return View(
            t,
            "pit" if self._pit else "live",
            self.track_model.lap(u),
            s,
            v,
            delta,
            self.track_model.reference.lap_time_s + delta,
            (zone.corner.say or zone.corner.name) if zone is not None else "",
            to_brake,
            self.phase.value,
            self.track_model.judging.condition.today.words,
            units=self.cue_context.cue_engine.rules.units.name,
        )

    def _crossed_s(self, place_m: float, row: int, fixes: Fixes) -> float:
        """Return the time of reaching a place passed by ``row`` [s], interpolated between two frames."""
        t, u = fixes.t_s, fixes.u_m
        before_t, before_u = (float(t[row - 1]), float(u[row - 1])) if row else self.last[:2]
        now, here = float(t[row]), float(u[row])
        part = (place_m - before_u) / (here - before_u) if here > before_u else 1.0
        return before_t + min(max(part, 0.0), 1.0) * (now - before_t)

    def _line(self, row: int, fixes: Fixes) -> None:
        """Handle the line: a new lap begins."""
        now, here = float(fixes.t_s[row]), float(fixes.u_m[row])
        length = self.track_model.reference.length_m
        began, self._line_t = self._line_t, self._crossed_s(round(here / length) * length, row, fixes)
        lap = self.track_model.lap(here)
        self.cue_context.cue_engine.new_lap(lap)
        if not self.track_model.reference.closed:
            return
        laps = self.measuring.laps
        counts = laps.flying and not laps.lap(lap - 1).faults and bool(fixes.sure[row]) and not self._pit
        self.calls.line(lap - 1, self._line_t - began, counts, self._line_t, now, here)

    def _left(self, corner: int, lap: int, now: float, here: float) -> None:
        """Handle the start of the next straight: the corner's limits end."""
        zone, history = (
            self.track_model.zones[corner].shifted(lap * self.track_model.reference.length_m),
            self.measuring.history,
        )
        wheels = history["wheels_off"][history.span(zone.turn_in_m, here)]
        known = wheels[wheels == wheels]
        self.calls.left(corner, lap, float(known.max()) if len(known) else float("nan"), now, here)

    def _places(self, front: Floats, first: int) -> list[_Place]:
        """Return the passed places with their rows, not before row ``first``."""
        if self.track_model.course.next_m > front[-1]:
            return []
        passed = list(self.track_model.course.pass_by(float(front[-1])))
        rows = np.maximum(np.searchsorted(front, [p[0] for p in passed]), first)
        return [(int(row), kind, corner, lap) for row, (_, kind, corner, lap) in zip(rows, passed, strict=True)]

    def _event(self, event: _Place, fixes: Fixes, brake: Floats, events: Events) -> bool:
        """Handle an event; return true if the plan changed."""
        row, kind, corner, lap = event
        t, u = fixes.t_s, fixes.u_m
        now, here = float(t[row]), float(u[row])
        if kind is Kind.LINE:
            self._line(row, fixes)
        elif kind is Kind.LEFT:
            if bool(fixes.sure[row]) and not self._pit:
                self._left(corner, lap, now, here)
        elif kind is Kind.PIT:
            self._cancel_pending(now, here, Reason.PIT, events)
            self.calls.pit(now, here)
        elif kind is Kind.MEASURE:
            self.measuring.measure(corner, lap, self._pit, events)
        elif kind is Kind.OPEN:
            if bool(fixes.sure[row]) and not self._pit:
                events.decisions += self.cue_context.approach(corner, lap, now, here)
        elif kind is Kind.BRAKE:
            if corner < 0:
                self.cue_context.pressed(here)
            # without pedals, braking starts at the profile's brake point
            if corner < 0 or not np.isfinite(brake[row]):
                self._step(Event.BRAKE, now, here, self.corner, lap, events)
        else:
            self._step(_EVENT[kind], now, here, corner, lap, events)
            if kind is Kind.ZONE and brake[row] > BRAKE_ON:
                self._step(Event.BRAKE, now, here, corner, lap, events)
            if kind is Kind.END:
                self._ended = (corner, lap)
                if self.waiting is not None and self.phase is Phase.STRAIGHT:
                    self.last = (now, here, float(fixes.speed_mps[row]))
                    return self.take_change(now, here, events)
                if bool(fixes.sure[row]) and not self._pit:
                    events.decisions += self.tones.corner_over(corner, now, here, self.cue_context.cue_engine.arbiter)
                    events.decisions += self.cue_context.after(corner, lap, now, here)
                    zone = self.track_model.zones[corner].shifted(lap * self.track_model.reference.length_m)
                    self.calls.over(corner, self._crossed_s(free_m(zone), row, fixes), now, here)
        return False

    def _step(self, event: Event, t: float, u: float, corner: int, lap: int, events: Events) -> None:
        """Advance the phase; ignore places of a corner that is not followed."""
        if self.phase is Phase.STRAIGHT and event in (Event.TURN_IN, Event.APEX, Event.END):
            return
        before = self.phase
        self.phase = step(self.phase, event)
        if event is Event.ZONE:
            self.corner, self._corner_lap = corner, lap
        if self.phase is not before:
            lap, s = self.track_model.lap(u), self.track_model.place(u)
            events.phases.append(PhaseChange(t, lap, s, self.corner, self.phase.value, event.value))


def _merged(places: list[_Place], pressed: NDArray[np.intp], entered: NDArray[np.intp]) -> list[_Place]:
    """Return places, brake presses and pit entries in order; places come first in the same row."""
    if not len(pressed) and not len(entered):
        return places
    rows = [(int(i), Kind.BRAKE, -1, 0) for i in pressed] + [(int(i), Kind.PIT, -1, 0) for i in entered]
    return sorted([*places, *rows], key=lambda e: e[0])
