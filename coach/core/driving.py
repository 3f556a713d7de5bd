"""The car on its way: the places it passes, the phases they make, and what is measured and said there.

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

from coach.core.asking import About, Asking, Request, Reviewed
from coach.core.bands import Bands
from coach.core.calls import Calls
from coach.core.columns import Columns, Floats
from coach.core.course import Kind
from coach.core.ground import Ground
from coach.core.happened import Happened
from coach.core.locator import Fix, Fixes
from coach.core.measuring import Measuring
from coach.core.passes import Driven
from coach.core.phases import QUIET, Event, Phase, step
from coach.core.reasons import Reason
from coach.core.reference import Reference
from coach.core.rules import RuleSet
from coach.core.speaking import Speaking
from coach.core.spoiled import spoiled
from coach.core.timing import free_m
from coach.core.tones import Tones
from coach.core.trace import MARGIN_M
from coach.core.values import Corner, Fault, Finding, Mark, PhaseChange, View
from feeds.frame import CHANNELS

BRAKE_ON: Final = 0.1
IN_PIT: Final = 0.5
REVIEW_M: Final = 10.0
"""A corner can be reviewed this far beyond its end: smoothing needs both sides of it [m]."""
OUT_LAP: Final = 0.8
"""A record that begins at the line with less than this share of the reference's speed there begins with an out-lap."""
_EVENT: Final = {Kind.ZONE: Event.ZONE, Kind.TURN_IN: Event.TURN_IN, Kind.APEX: Event.APEX, Kind.END: Event.END}
_BRAKE, _PIT = (CHANNELS.index(name) for name in ("brake", "in_pit"))
_Place = tuple[int, Kind, int, int]
"""Row, kind, corner, and the lap in which the corner began."""


@dataclass(frozen=True)
class Change:
    """Another plan that waits for the next straight."""

    corners: tuple[Corner, ...]
    rules: RuleSet
    reference: Reference | None
    durations: Mapping[str, float] | None


class Driving:
    """One car along one course; ``last`` is its time [s], distance driven [m] and speed [m/s] at the last frame."""

    def __init__(self, ground: Ground, speaking: Speaking, bands: Bands) -> None:
        self.ground = ground
        self.speaking = speaking
        self.measuring = Measuring(ground, bands, self._learn, speaking.talker.went_off)
        self.asking = Asking(speaking, self._review)
        self.calls = Calls(speaking)
        self.tones = Tones(ground, speaking.talker.schedule.memory)
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

    def found(self, fixes: Fixes, happened: Happened) -> None:
        """The car was found at the first of ``fixes``."""
        u, t = float(fixes.u_m[0]), float(fixes.t_s[0])
        speed = float(fixes.speed_mps[0])
        begin, begin_t = u, t
        seam = math.floor(u / self.ground.reference.length_m) * self.ground.reference.length_m
        if u - seam <= MARGIN_M and speed > 3.0:
            # a record that begins at the line: the few metres to it are driven at the first speed
            begin, begin_t = seam, t - (u - seam) / speed
            self.measuring.laps.begin(self.ground.lap(u), begin_t)
            self._line_t = begin_t
            if speed < OUT_LAP * self.ground.reference.value("speed_mps", seam):
                self.measuring.laps.out_lap(self.ground.lap(u))
        self.ground.builder.begin(begin, begin_t)
        self.measuring.history.clear()
        self.ground.course.begin(begin)
        self._front = begin
        self.last = (begin_t, begin, speed)
        self._ended = self.measuring.latest = None
        self.tones.begin(begin_t, begin)
        self._step(Event.FOUND, t, u, -1, self.ground.lap(u), happened)

    def advance(self, run: Columns, fixes: Fixes, happened: Happened) -> int | None:
        """Go on by located frames; the row of ``run`` after which another reference counts, None if none does."""
        n = len(fixes.row)
        if not n:
            return None
        rows = run if n == len(run) else Columns(run.data[:, fixes.row])
        self.measuring.history.add(rows, fixes)
        u, t, v, brake = fixes.u_m, fixes.t_s, fixes.speed_mps, rows["brake"]
        pit = rows["in_pit"] > IN_PIT
        for lap in {self.ground.lap(place) for place in u[pit].tolist()}:
            self.measuring.laps.spoil(lap, "pit")
        front = np.maximum.accumulate(np.concatenate(([self._front], u)))[1:]
        pressed = np.flatnonzero((brake > BRAKE_ON) & ~(np.concatenate(([self._brake], brake[:-1])) > BRAKE_ON))
        entered = np.flatnonzero(pit & ~np.concatenate(([self._pit], pit[:-1])))
        events = _merged(self._places(front, 0), pressed, entered)
        at, end = 0, float(t[-1])
        while True:
            row = int(t.searchsorted(self.wake_s)) if self.wake_s <= end else n
            if at < len(events) and events[at][0] <= row:
                row = events[at][0]
                self._pit = bool(pit[row])
                if self._pit:
                    self.measuring.laps.in_pit(float(t[row]))
                self.measuring.history.hidden = n - 1 - row
                changed = self._event(events[at], fixes, brake, happened)
                at += 1
                if changed:
                    # other places from here on
                    events = _merged(self._places(front, row), pressed[pressed > row], entered[entered > row])
                    at = 0
                if self.phase is Phase.LOST:
                    self.measuring.history.hidden = 0
                    self.last, self._brake = (float(t[row]), float(u[row]), float(v[row])), float(brake[row])
                    return int(fixes.row[row])
            elif row < n:
                self._pit = bool(pit[row])
                self.measuring.history.hidden = n - 1 - row
                place = (float(t[row]), float(u[row]), float(v[row]))
                self._wake(*place, bool(fixes.sure[row]), bool(brake[row] > BRAKE_ON), happened)
            else:
                break
        self.measuring.history.hidden = 0
        self._front, self._brake, self._pit = float(front[-1]), float(brake[-1]), bool(pit[-1])
        self.last = (float(t[-1]), float(u[-1]), float(v[-1]))
        return None

    @property
    def wake_s(self) -> float:
        """When something may be said or sounded, though no place is passed [s]."""
        return min(self.speaking.talker.wake_s, self.tones.wake_s)

    def _wake(self, t: float, u: float, v: float, sure: bool, braking: bool, happened: Happened) -> None:
        """Say and sound what is due now."""
        if not sure:
            self._hush(t, u, Reason.LOST, happened)
            return
        if self._pit:
            happened.decisions += self.speaking.in_pit(t, u, v)
            happened.decisions += self.asking.drop_all(t, u, Reason.PIT)
            self.tones.skip(t, u)
            return
        talker = self.speaking.talker
        if talker.wake_s <= t:
            happened.decisions += self.asking.look(t, u, v, self.phase not in QUIET and not braking)
            happened.decisions += self.speaking.consider(t, u, v, self.phase, braking)
            self.asking.look_again(t)
        if self.tones.wake_s <= t:
            today = self.ground.judging.condition.today
            if today.usual:
                happened.decisions += self.tones.look(t, u, v, braking, talker.arbiter)
            else:
                self.tones.skip(t, u)  # the reference's brake point is none for another grip

    def _hush(self, t: float, u: float, reason: Reason, happened: Happened) -> None:
        """Nothing that waits is said."""
        happened.decisions += self.speaking.hush(t, u, reason)
        happened.decisions += self.asking.drop_all(t, u, reason)
        self.tones.skip(t, u)

    def ask(self, request: Request, happened: Happened) -> None:
        """The driver asks for something, after the last frame."""
        t, u, _ = self.last
        about = (self.corner, self._corner_lap) if self.phase in QUIET else self._ended
        happened.decisions += self.asking.ask(request, t, u, about)
        if self.phase is Phase.LOST:
            happened.decisions += self.asking.drop_all(t, u, Reason.LOST)
        elif request == "mark":
            self._marks += 1
            s = self.ground.place(u)
            x, y = (self.ground.reference.value(name, s) for name in ("x_m", "y_m"))
            happened.marks.append(Mark(t, self.ground.lap(u), s, x, y, f"mark {self._marks}"))

    def _learn(self, driven: Driven, findings: tuple[Finding, ...], unjudged: frozenset[Fault] = frozenset()) -> None:
        self.tones.learn(driven.corner, driven.gaps)
        self.speaking.learn(driven, findings, unjudged)
        self.calls.learn(driven.corner, driven.lap, driven.gaps.get("brake_start_m", math.nan), driven.total_s)

    def _review(self, about: About, u_m: float) -> Reviewed | None:
        """What was found in a corner, as far as it is driven; None while it is not measured."""
        corner, lap = about
        latest = self.measuring.latest
        if latest is not None and (latest.corner, latest.lap) == about:
            return Reviewed(latest.findings, latest.valid)
        zone = self.ground.zones[corner].shifted(lap * self.ground.reference.length_m)
        stop = min(u_m, zone.next_start_m)
        if self._ended != about or stop < zone.end_m + REVIEW_M:
            return None
        cut = self.ground.builder.peek(self.measuring.history, corner, lap, stop)
        if cut is None or not cut.whole:
            return None
        judged = self.ground.judging.judge(cut, counts=False)
        return Reviewed(judged.findings(self.measuring.bands), not spoiled(cut) and judged.today.settled)

    def goes_on(self, row: list[float], fix: Fix) -> bool:
        """Move on by a single frame if nothing happens at it; false, and nothing done, if something may."""
        t, u, offset, speed, _ = fix
        brake, front = row[_BRAKE], max(self._front, u)
        if brake > BRAKE_ON and not self._brake > BRAKE_ON:
            return False
        if self.ground.course.next_m <= front or self.wake_s <= t or row[_PIT] > IN_PIT:
            return False
        self.measuring.history.add_one(row, u, offset, speed)
        self._front, self._brake, self._pit = front, brake, False
        self.last = (t, u, speed)
        return True

    def interrupt(self, why: str, t: float, happened: Happened) -> None:
        """Tracking ended: what is being driven can not be measured whole."""
        self.counts[why] += 1
        if why == "restart":
            self.measuring.laps.restart_clock()
        if self.phase is Phase.LOST:
            return
        self.measuring.laps.spoil(self.ground.lap(self.last[1]), why)
        self.ground.builder.interrupt()
        self._line_t = float("nan")
        self.calls.interrupt()
        self._step(Event.LOST, t, self.last[1], self.corner, 0, happened)
        self._hush(t, self.last[1], Reason.LOST, happened)

    def finish(self) -> Happened:
        """The session ended: measure what can be, hold back what is open."""
        happened = Happened()
        t, u, _ = self.last
        if self.phase is not Phase.LOST:
            self.measuring.measure_rest(self._front, self._pit, happened)
        self._hush(t, u, Reason.SESSION_OVER, happened)
        return happened

    def take_change(self, t: float, u: float, happened: Happened) -> bool:
        """Take up a waiting change of plan; whether there was one."""
        change, self.waiting = self.waiting, None
        if change is None:
            return False
        self._hush(t, u, Reason.PLAN_CHANGED, happened)
        names = {c.name: i for i, c in enumerate(change.corners)}
        moved = {i: names[c.name] for i, c in enumerate(self.ground.corners) if c.name in names}
        reference = change.reference or self.ground.reference
        if reference is not self.ground.reference:
            self.interrupt("plan changed", t, happened)
        self.ground = Ground(reference, change.corners)
        self.measuring.swap(self.ground, moved)
        self.speaking.swap(self.ground, change.rules, change.durations, moved)
        if self.phase is not Phase.LOST:
            self.ground.course.begin(u)
        self.tones.swap(self.ground, t, u)
        self.calls.swap(change.reference is None)
        self.corner, self._ended = -1, None
        return True

    def view(self) -> View:
        """What a glance needs after the last frame."""
        t, u, v = self.last
        if self.phase is Phase.LOST:
            return View(t, "lost" if self.counts else "waiting", speed_mps=v)
        s = self.ground.place(u)
        delta = t - self._line_t - self.ground.reference.value("t_s", s)
        zone, to_brake = self.ground.next_corner(u)
        return View(
            t,
            "pit" if self._pit else "live",
            self.ground.lap(u),
            s,
            v,
            delta,
            self.ground.reference.lap_time_s + delta,
            (zone.corner.say or zone.corner.name) if zone is not None else "",
            to_brake,
            self.phase.value,
            self.ground.judging.condition.today.words,
        )

    def _crossed_s(self, place_m: float, row: int, fixes: Fixes) -> float:
        """When a place that was passed by ``row`` was reached [s], between two frames."""
        t, u = fixes.t_s, fixes.u_m
        before_t, before_u = (float(t[row - 1]), float(u[row - 1])) if row else self.last[:2]
        now, here = float(t[row]), float(u[row])
        part = (place_m - before_u) / (here - before_u) if here > before_u else 1.0
        return before_t + min(max(part, 0.0), 1.0) * (now - before_t)

    def _line(self, row: int, fixes: Fixes) -> None:
        """The line was crossed into another lap."""
        now, here = float(fixes.t_s[row]), float(fixes.u_m[row])
        length = self.ground.reference.length_m
        began, self._line_t = self._line_t, self._crossed_s(round(here / length) * length, row, fixes)
        lap = self.ground.lap(here)
        self.speaking.talker.new_lap(lap)
        if not self.ground.reference.closed:
            return
        laps = self.measuring.laps
        counts = laps.flying and not laps.lap(lap - 1).faults and bool(fixes.sure[row]) and not self._pit
        self.calls.line(lap - 1, self._line_t - began, counts, self._line_t, now, here)

    def _left(self, corner: int, lap: int, now: float, here: float) -> None:
        """The next straight begins: the limits of the corner are behind."""
        zone, history = self.ground.zones[corner].shifted(lap * self.ground.reference.length_m), self.measuring.history
        wheels = history["wheels_off"][history.span(zone.turn_in_m, here)]
        known = wheels[wheels == wheels]
        self.calls.left(corner, lap, float(known.max()) if len(known) else float("nan"), now, here)

    def _places(self, front: Floats, first: int) -> list[_Place]:
        """The places passed, each at the row that passed it, not before row ``first``."""
        if self.ground.course.next_m > front[-1]:
            return []
        passed = list(self.ground.course.pass_by(float(front[-1])))
        rows = np.maximum(np.searchsorted(front, [p[0] for p in passed]), first)
        return [(int(row), kind, corner, lap) for row, (_, kind, corner, lap) in zip(rows, passed, strict=True)]

    def _event(self, event: _Place, fixes: Fixes, brake: Floats, happened: Happened) -> bool:
        """Do what an event asks for; true when the plan changed with it."""
        row, kind, corner, lap = event
        t, u = fixes.t_s, fixes.u_m
        now, here = float(t[row]), float(u[row])
        if kind is Kind.LINE:
            self._line(row, fixes)
        elif kind is Kind.LEFT:
            if bool(fixes.sure[row]) and not self._pit:
                self._left(corner, lap, now, here)
        elif kind is Kind.PIT:
            self._hush(now, here, Reason.PIT, happened)
            self.calls.pit(now, here)
        elif kind is Kind.MEASURE:
            self.measuring.measure(corner, lap, self._pit, happened)
        elif kind is Kind.OPEN:
            if bool(fixes.sure[row]) and not self._pit:
                happened.decisions += self.speaking.approach(corner, lap, now, here)
        elif kind is Kind.BRAKE:
            if corner < 0:
                self.speaking.pressed(here)
            # a feed without pedals brakes where the profile says so
            if corner < 0 or not np.isfinite(brake[row]):
                self._step(Event.BRAKE, now, here, self.corner, lap, happened)
        else:
            self._step(_EVENT[kind], now, here, corner, lap, happened)
            if kind is Kind.ZONE and brake[row] > BRAKE_ON:
                self._step(Event.BRAKE, now, here, corner, lap, happened)
            if kind is Kind.END:
                self._ended = (corner, lap)
                if self.waiting is not None and self.phase is Phase.STRAIGHT:
                    self.last = (now, here, float(fixes.speed_mps[row]))
                    return self.take_change(now, here, happened)
                if bool(fixes.sure[row]) and not self._pit:
                    happened.decisions += self.tones.corner_over(corner, now, here, self.speaking.talker.arbiter)
                    happened.decisions += self.speaking.after(corner, lap, now, here)
                    zone = self.ground.zones[corner].shifted(lap * self.ground.reference.length_m)
                    self.calls.over(corner, self._crossed_s(free_m(zone), row, fixes), now, here)
        return False

    def _step(self, event: Event, t: float, u: float, corner: int, lap: int, happened: Happened) -> None:
        """Move the phase on; places of a corner that is not followed change nothing."""
        if self.phase is Phase.STRAIGHT and event in (Event.TURN_IN, Event.APEX, Event.END):
            return
        before = self.phase
        self.phase = step(self.phase, event)
        if event is Event.ZONE:
            self.corner, self._corner_lap = corner, lap
        if self.phase is not before:
            lap, s = self.ground.lap(u), self.ground.place(u)
            happened.phases.append(PhaseChange(t, lap, s, self.corner, self.phase.value, event.value))


def _merged(places: list[_Place], pressed: NDArray[np.intp], entered: NDArray[np.intp]) -> list[_Place]:
    """Places, presses of the brake and ways into the pits in order; at the same row the places come first."""
    if not len(pressed) and not len(entered):
        return places
    rows = [(int(i), Kind.BRAKE, -1, 0) for i in pressed] + [(int(i), Kind.PIT, -1, 0) for i in entered]
    return sorted([*places, *rows], key=lambda e: e[0])
