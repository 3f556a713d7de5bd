"""The one path: frames in, what happened out. No clock, no thread, no I/O: time is the frames' own.

    frames -> intake -> locator -> history -> course (places passed) -> phases, passes, talker -> Happened

Live, replay and tests push the same frames and get the same answer, whether one by one or in chunks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.bands import Bands
from coach.core.columns import Columns
from coach.core.course import Kind
from coach.core.diagnosis import Diagnosis
from coach.core.ground import Ground
from coach.core.happened import Happened as Happened
from coach.core.intake import Intake
from coach.core.locator import Fix, Fixes, Locator
from coach.core.measuring import Measuring
from coach.core.memory import Memory
from coach.core.passes import Driven, PassBuilder, Piece
from coach.core.phases import Event, Phase, step
from coach.core.reference import Reference
from coach.core.rules import RuleSet
from coach.core.speaking import Speaking
from coach.core.talker import Talker
from coach.core.trace import MARGIN_M
from coach.core.values import Corner, PhaseChange, View
from coach.core.zones import Zone
from feeds.frame import CHANNELS, Frame

CHUNK: Final = 2048
"""Frames looked at together; the result does not depend on it."""
FEW: Final = 32
"""Up to so many frames are quicker one by one: arrays have a fixed price. The result does not depend on it."""
BRAKE_ON: Final = 0.1
_EVENT: Final = {Kind.ZONE: Event.ZONE, Kind.TURN_IN: Event.TURN_IN, Kind.APEX: Event.APEX, Kind.END: Event.END}
IN_PIT: Final = 0.5
OUT_LAP: Final = 0.8
"""A record that begins at the line with less than this share of the reference's speed there begins with an out-lap."""
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
        self.ground = Ground(reference, corners)
        self.intake = Intake()
        self.locator = Locator(reference)
        talker = Talker(rules, tuple(c.name for c in corners), durations or {}, memory)
        self.speaking = Speaking(self.ground, talker)
        self.measuring = Measuring(self.ground, bands if bands is not None else Bands(), self.speaking.learn)
        self.phase = Phase.LOST
        self.corner = -1
        self.counts: Counter[str] = Counter()
        self._front = 0.0
        self._brake = 0.0
        self._last = (0.0, 0.0, 0.0)
        self._line_t = float("nan")
        self._pit = False
        self._change_of_plan: Change | None = None

    @property
    def reference(self) -> Reference:
        """The lap that is driven against."""
        return self.ground.reference

    @property
    def corners(self) -> tuple[Corner, ...]:
        """The corners as they are now."""
        return self.ground.corners

    @property
    def now_s(self) -> float:
        """Session time of the last frame that was located [s]."""
        return self._last[0]

    @property
    def zones(self) -> tuple[Zone, ...]:
        """The corners' zones."""
        return self.ground.zones

    @property
    def builder(self) -> PassBuilder:
        """What measures the passes."""
        return self.ground.builder

    @property
    def diagnosis(self) -> Diagnosis:
        """What finds causes in them."""
        return self.ground.diagnosis

    @property
    def talker(self) -> Talker:
        """What speaks, and what the driver knows."""
        return self.speaking.talker

    @property
    def bands(self) -> Bands:
        """The driver's scatter."""
        return self.measuring.bands

    @property
    def kept(self) -> list[Driven] | None:
        """Every pass as it was driven, for a second look after the run; set it to a list to have them kept."""
        return self.measuring.kept

    @kept.setter
    def kept(self, kept: list[Driven] | None) -> None:
        self.measuring.kept = kept

    # what goes in

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
                self._interrupt(why, float(run["t_s"][0]), happened)
                self.locator.reset()
            self._located(run, happened)

    def _take_one(self, chunk: Columns, i: int, row: list[float], happened: Happened) -> None:
        """Frame ``i`` of ``chunk``, ``row`` in plain floats: most of them only move the car on a little."""
        if not self.intake.goes_on(row):
            self._take(chunk.part(i, i + 1), happened)
        elif (fix := self.locator.follow(row)) is None:
            self._located(chunk.part(i, i + 1), happened)
        elif self._goes_on(row, fix):
            self.measuring.history.add_one(chunk.data[:, i], fix.u_m, fix.offset_m, fix.speed_mps)
        else:
            self._advance(chunk.part(i, i + 1), fix.fixes(), happened)

    def finish(self) -> Happened:
        """The session ended: measure what can be, hold back what is open."""
        happened = Happened()
        t, u, _ = self._last
        if self.phase is not Phase.LOST:
            self.measuring.measure_rest(self._front, self._pit, happened)
        happened.decisions += self.speaking.hush(t, u, "session over")
        return happened

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
        self._change_of_plan = Change(corners, rules, reference, durations)
        if self.phase is Phase.LOST:
            self._take_change(*self._last[:2], Happened())

    def _take_change(self, t: float, u: float, happened: Happened) -> bool:
        """Take up a waiting change of plan; whether there was one."""
        change, self._change_of_plan = self._change_of_plan, None
        if change is None:
            return False
        happened.decisions += self.speaking.hush(t, u, "plan changed")
        names = {c.name: i for i, c in enumerate(change.corners)}
        moved = {i: names[c.name] for i, c in enumerate(self.corners) if c.name in names}
        reference = change.reference or self.reference
        if reference is not self.reference:
            self._interrupt("plan changed", t, happened)
            self.locator = Locator(reference)
        self.ground = Ground(reference, change.corners)
        self.measuring.swap(self.ground, moved)
        self.speaking.swap(self.ground, change.rules, change.durations, moved)
        if self.phase is not Phase.LOST:
            self.ground.course.begin(u)
        self.corner = -1
        return True

    # the way through

    def _located(self, run: Columns, happened: Happened) -> None:
        for fixes, how in self.locator.locate(run):
            if how == "lost":
                self._interrupt("lost", self._last[0], happened)
                continue
            if how == "found":
                self._found(fixes, happened)
            stopped = self._advance(run, fixes, happened)
            if stopped is not None:
                # another reference from here on: the rest was located on the old one
                self._located(run.part(stopped + 1, len(run)), happened)
                return

    def _found(self, fixes: Fixes, happened: Happened) -> None:
        u, t = float(fixes.u_m[0]), float(fixes.t_s[0])
        speed = float(fixes.speed_mps[0])
        begin, begin_t = u, t
        seam = np.floor(u / self.reference.length_m) * self.reference.length_m
        if u - seam <= MARGIN_M and speed > 3.0:
            # a record that begins at the line: the few metres to it are driven at the first speed
            begin, begin_t = float(seam), t - (u - float(seam)) / speed
            self.measuring.laps.begin(self._lap(u), begin_t)
            self._line_t = begin_t
            if speed < OUT_LAP * self.reference.value("speed_mps", seam):
                self.measuring.laps.out_lap(self._lap(u))
        self.ground.builder.begin(begin, begin_t)
        self.measuring.history.clear()
        self.ground.course.begin(begin)
        self._front = begin
        self._last = (begin_t, begin, speed)
        self._change(Event.FOUND, t, u, -1, self._lap(u), happened)

    def _advance(self, run: Columns, fixes: Fixes, happened: Happened) -> int | None:
        """Go on by located frames; the row of ``run`` after which the car has to be found anew, None if it has not."""
        n = len(fixes.row)
        if not n:
            return None
        rows = run if n == len(run) else Columns(run.data[:, fixes.row])
        self.measuring.history.add(rows, fixes)
        u, t, v, brake = fixes.u_m, fixes.t_s, fixes.speed_mps, rows["brake"]
        pit = rows["in_pit"] > IN_PIT
        for lap in {self._lap(place) for place in u[pit].tolist()}:
            self.measuring.laps.spoil(lap, "pit")
        front = np.maximum.accumulate(np.concatenate(([self._front], u)))[1:]
        pressed = np.flatnonzero((brake > BRAKE_ON) & ~(np.concatenate(([self._brake], brake[:-1])) > BRAKE_ON))
        events = self._with_brakes(self._places(front, 0), pressed)
        at, end = 0, float(t[-1])
        while True:
            row = int(t.searchsorted(self.talker.wake_s)) if self.talker.wake_s <= end else n
            if at < len(events) and events[at][0] <= row:
                row = events[at][0]
                self._pit = bool(pit[row])
                if self._pit:
                    self.measuring.laps.in_pit(float(t[row]))
                self.measuring.history.hidden = n - 1 - row
                changed = self._event(events[at], t, u, v, brake, fixes, happened)
                at += 1
                if changed:
                    # other places from here on
                    events, at = self._with_brakes(self._places(front, row), pressed[pressed > row]), 0
                if self.phase is Phase.LOST:
                    self.measuring.history.hidden = 0
                    self._last, self._brake = (float(t[row]), float(u[row]), float(v[row])), float(brake[row])
                    return int(fixes.row[row])
            elif row < n:
                self._pit = bool(pit[row])
                now, here = float(t[row]), float(u[row])
                if self._pit or not fixes.sure[row]:
                    happened.decisions += self.speaking.hush(now, here, "lost" if not fixes.sure[row] else "pit")
                else:
                    held = bool(brake[row] > BRAKE_ON)
                    happened.decisions += self.speaking.consider(now, here, float(v[row]), self.phase, held)
            else:
                break
        self.measuring.history.hidden = 0
        self._front, self._brake, self._pit = float(front[-1]), float(brake[-1]), bool(pit[-1])
        self._last = (float(t[-1]), float(u[-1]), float(v[-1]))
        return None

    def _goes_on(self, row: list[float], fix: Fix) -> bool:
        """Move on by a single frame if nothing happens at it; false, and nothing done, if something may."""
        brake, front = row[_BRAKE], max(self._front, fix.u_m)
        pressed = brake > BRAKE_ON and not self._brake > BRAKE_ON
        if pressed or self.ground.course.next_m <= front or self.talker.wake_s <= fix.t_s or row[_PIT] > IN_PIT:
            return False
        self._front, self._brake, self._pit = front, brake, False
        self._last = (fix.t_s, fix.u_m, fix.speed_mps)
        return True

    def _with_brakes(self, places: list[_Place], pressed: NDArray[np.intp]) -> list[_Place]:
        """Places and presses of the brake in order; at the same row the places come first."""
        if not len(pressed):
            return places
        return sorted([*places, *((int(i), Kind.BRAKE, -1, 0) for i in pressed)], key=lambda e: e[0])

    def _places(self, front: NDArray[np.float64], first: int) -> list[_Place]:
        """The places passed, each at the row that passed it, not before row ``first``."""
        if self.ground.course.next_m > front[-1]:
            return []
        passed = list(self.ground.course.pass_by(float(front[-1])))
        rows = np.maximum(np.searchsorted(front, [p[0] for p in passed]), first)
        return [(int(row), kind, corner, lap) for row, (_, kind, corner, lap) in zip(rows, passed, strict=True)]

    def _event(
        self,
        event: _Place,
        t: NDArray[np.float64],
        u: NDArray[np.float64],
        v: NDArray[np.float64],
        brake: NDArray[np.float64],
        fixes: Fixes,
        happened: Happened,
    ) -> bool:
        """Do what an event asks for; true when the plan changed with it."""
        row, kind, corner, lap = event
        now, here = float(t[row]), float(u[row])
        if kind is Kind.LINE:
            before_t, before_u = (float(t[row - 1]), float(u[row - 1])) if row else self._last[:2]
            seam = np.round(here / self.reference.length_m) * self.reference.length_m
            part = (seam - before_u) / (here - before_u) if here > before_u else 1.0
            self._line_t = before_t + float(np.clip(part, 0.0, 1.0)) * (now - before_t)
            self.talker.new_lap(self._lap(here))
        elif kind is Kind.MEASURE:
            self.measuring.measure(corner, lap, self._pit, happened)
        elif kind is Kind.OPEN:
            if bool(fixes.sure[row]) and not self._pit:
                happened.decisions += self.speaking.approach(corner, lap, now, here)
        elif kind is Kind.BRAKE:
            # a feed without pedals brakes where the profile says so
            if corner < 0 or not np.isfinite(brake[row]):
                self._change(Event.BRAKE, now, here, self.corner, lap, happened)
        else:
            self._change(_EVENT[kind], now, here, corner, lap, happened)
            if kind is Kind.ZONE and brake[row] > BRAKE_ON:
                self._change(Event.BRAKE, now, here, corner, lap, happened)
            if kind is Kind.END:
                if self._change_of_plan is not None and self.phase is Phase.STRAIGHT:
                    self._last = (now, here, float(v[row]))
                    return self._take_change(now, here, happened)
                if bool(fixes.sure[row]) and not self._pit:
                    happened.decisions += self.speaking.after(corner, lap, now, here)
        return False

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
        self.measuring.laps.spoil(self._lap(self._last[1]), why)
        self.ground.builder.interrupt()
        self._line_t = float("nan")
        self._change(Event.LOST, t, self._last[1], self.corner, 0, happened)
        happened.decisions += self.speaking.hush(t, self._last[1], "lost")

    # passes and laps

    def pieces(self) -> Iterator[Piece]:
        """The losses since this was last asked for, piece by piece, for the sum of a lap."""
        pieces, self.measuring.laps.pieces = self.measuring.laps.pieces, []
        yield from pieces

    # what to show

    def view(self) -> View:
        """What a glance needs after the last frame."""
        t, u, v = self._last
        if self.phase is Phase.LOST:
            return View(t, "lost" if self.counts else "waiting", speed_mps=v)
        s = self._s(u)
        delta = t - self._line_t - self.reference.value("t_s", s)
        zone, to_brake = self.ground.next_corner(u)
        return View(
            t,
            "pit" if self._pit else "live",
            self._lap(u),
            s,
            v,
            delta,
            self.reference.lap_time_s + delta,
            (zone.corner.say or zone.corner.name) if zone is not None else "",
            to_brake,
            self.phase.value,
        )

    def _lap(self, u: float) -> int:
        return self.ground.lap(u)

    def _s(self, u: float) -> float:
        return self.ground.place(u)
