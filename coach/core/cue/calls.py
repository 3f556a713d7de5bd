"""Calls: lap times at the line, track limits after a corner, another condition, and two sentences in the pits.

A call never takes a cue's room: it is spoken only if it ends CLEAR_S before the next corner's silence and before a
pending cue must begin. Otherwise it waits for the next straight with room, but not for long.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Mapping
from statistics import fmean, pstdev
from typing import Final

import msgspec

from coach.core.cue.arbiter import CLEAR_S, Candidate
from coach.core.cue.call_words import SECTORS, call_forms, count_words, gap_words, lap_words
from coach.core.cue.cue_context import CueContext
from coach.core.cue.language import Language
from coach.core.cue.rules import CueRule
from coach.core.cue.steadiness import Steadiness
from coach.core.cue.wording import wordings
from coach.core.diagnose.condition import Kind
from coach.core.measure.lap_ledger import WHEELS_OFF
from coach.core.track.timing import ROOM_S, STARTS_AFTER_S, free_m
from coach.core.track_model import TrackModel

WINDOW: Final = 3
"""Number of laps compared with as many before them."""
DROPPED_S: Final = 0.3
"""The pace drops if the mean of the last laps is this much slower (common practice, no source)."""
CLEARLY: Final = 2.5
"""... and by this many standard errors of the difference."""
WAIT_S: Final = 40.0
"""Longest wait of a call for a straight with room, before it is old news (common practice, no source)."""
ALIKE_S: Final = 0.2
"""Largest difference between equal laps (common practice, no source)."""


class _PendingCall(msgspec.Struct, frozen=True):
    """A call that may have to wait for room."""

    about: str
    values: dict[str, str]
    corner: int
    since_s: float
    slot: str


class Calls:
    """The calls of one run, by the rule set's ``calls``."""

    def __init__(self, cue_context: CueContext) -> None:
        self.cue_context = cue_context
        self.limits: Counter[str] = Counter()
        """How often the limits were crossed, by corner."""
        self._best_s = math.inf
        self._last = ""
        self._laps: deque[float] = deque(maxlen=2 * WINDOW)
        self._best_sector: dict[int, float] = {}
        self._sector = 0
        self._sector_t = math.nan
        self._clean_sector = True
        self._over_in: set[int] = set()
        self._waiting: list[_PendingCall] = []
        self.steadiness = Steadiness()
        self._unsteady: int | None = None
        self._asked: set[str] = set()
        self._kind: Kind = "usual"
        self._told_kind: Kind = "usual"
        self._ends = sector_ends(cue_context.track_model)

    def swap(self, same_reference: bool) -> None:
        """Replace the corners; on another reference discard earlier laps for comparison."""
        self._ends = sector_ends(self.cue_context.track_model)
        self._best_sector.clear()
        self._unsteady = None
        self.steadiness = Steadiness()
        self.interrupt()
        if not same_reference:
            self._best_s = math.inf
            self._laps.clear()

    def interrupt(self) -> None:
        """Handle lost tracking."""
        self._sector_t = math.nan
        self._waiting.clear()

    def line(self, lap: int, time_s: float, counts: bool, line_t_s: float, now_s: float, u_m: float) -> None:
        """Handle a finished ``lap`` with ``time_s`` (NaN if unknown) that ``counts`` or not."""
        self._sector, self._sector_t, self._clean_sector = 0, line_t_s, True
        counts = counts and lap not in self._over_in
        self._over_in = {n for n in self._over_in if n > lap}
        if not counts or not math.isfinite(time_s):
            return
        gap_s = time_s - self._best_s
        trend = self._trend(time_s)
        about = "best" if -math.inf < gap_s < 0.0 else trend or "lap"
        again = about == "same" and self._last == "same"
        if again or not any(rule.about == about for rule in self._rules()):
            about = "lap"
        self._last = about
        self._best_s = min(self._best_s, time_s)
        reference_s = self.cue_context.track_model.reference.lap_time_s
        language = self._language
        values = {"lap": lap_words(time_s, reference_s, language), "gap": gap_words(gap_s, language)}
        values["brief"] = lap_words(time_s, reference_s, language, brief=True)
        values["brief_gap"] = gap_words(gap_s, language, brief=True)
        one = _PendingCall(about, values, -1, now_s, "line")
        self._tell(one, now_s, u_m)
        if about == "best" and one not in self._waiting and not self._fits_with_time(values, now_s, u_m):
            # the news at once, the time where there is room
            self._waiting.append(_PendingCall("lap", {**values, "gap": "", "brief_gap": ""}, -1, now_s, "line"))

    def _fits_with_time(self, values: Mapping[str, str], now_s: float, u_m: float) -> bool:
        """Return whether a new best and its time fit before the next corner's silence."""
        time = values["brief"] or values["lap"]
        forms = [text for rule in self._rules() if rule.about == "best" for text in call_forms(rule, values)]
        return not time or self._fits([text for text in forms if time in text], now_s, u_m)

    def _trend(self, time_s: float) -> str:
        """Return whether the last laps are clearly slower than those before, or equal; "" for neither."""
        self._laps.append(time_s)
        laps = list(self._laps)
        if len(laps) == 2 * WINDOW:
            before, last = laps[:WINDOW], laps[WINDOW:]
            slower = fmean(last) - fmean(before)
            error = math.sqrt((pstdev(before) ** 2 + pstdev(last) ** 2) / (WINDOW - 1))
            if slower >= max(DROPPED_S, CLEARLY * error):
                # speak once: compare later laps with these
                self._laps = deque(last, maxlen=2 * WINDOW)
                return "drop_off"
        near = laps[-WINDOW:]
        return "same" if len(near) == WINDOW and max(near) - min(near) <= ALIKE_S else ""

    def over(self, corner: int, crossed_s: float, now_s: float, u_m: float) -> None:
        """Handle a corner's end, which may end a sector."""
        waiting, self._waiting = self._waiting, []
        for one in waiting:
            self._tell(one, now_s, u_m)
        if self._unsteady is not None and self._room_s(now_s, u_m) >= ROOM_S:
            there = self.cue_context.track_model.corners[self._unsteady]
            self._open("unsteady", {"corner": there.say or there.name}, now_s, u_m, "other straight", self._unsteady)
            self._unsteady = None
        self._ask_mark(now_s, u_m)
        self._condition(now_s, u_m)
        if self._sector >= len(self._ends) or corner != self._ends[self._sector]:
            return
        took, sector = crossed_s - self._sector_t, self._sector
        self._sector, self._sector_t = sector + 1, crossed_s
        clean, self._clean_sector = self._clean_sector, True
        if math.isfinite(took) and clean:
            gap = gap_words(took - self._best_sector.get(sector, math.nan), self._language)
            self._best_sector[sector] = min(took, self._best_sector.get(sector, math.inf))
            values = {"sector": self._language.number(sector + 1), "gap": gap}
            self._open("sector", values, now_s, u_m, "line")

    def _ask_mark(self, now_s: float, u_m: float) -> None:
        """Ask once for the brake mark of a corner whose brake cues failed in two rounds: no answer is needed."""
        cue_engine = self.cue_context.cue_engine
        for corner in cue_engine.schedule.stuck_on_brakes():
            there = self.cue_context.track_model.corners[corner]
            if there.name not in self._asked and self._room_s(now_s, u_m) >= ROOM_S:
                self._asked.add(there.name)
                self._open("mark", {"corner": there.say or there.name}, now_s, u_m, "other straight", corner)

    def learn(self, corner: int, lap: int, early_m: float, loss_s: float) -> None:
        """Learn from a valid pass: distance from the reference's brake point [m], and loss [s]."""
        schedule = self.cue_context.cue_engine.schedule
        if schedule.recent.faults(corner, self.cue_context.cue_engine.rules.rules):
            self.steadiness.forget(corner)
        elif self.steadiness.learn(corner, lap, early_m, loss_s):
            self._unsteady = corner

    def left(self, corner: int, lap: int, wheels_off: float, now_s: float, u_m: float) -> None:
        """Handle a corner's end with at most ``wheels_off`` wheels beyond the limit; NaN if unknown."""
        if not wheels_off >= WHEELS_OFF:
            return
        there = self.cue_context.track_model.corners[corner]
        self.limits[there.name] += 1
        self._over_in.add(self.cue_context.track_model.lap(u_m))
        self._over_in.add(lap)
        self._clean_sector = False
        count = count_words(self.limits[there.name], self._language)
        values = {"count": count, "corner": there.say or there.name}
        self._tell(_PendingCall("limits", values, corner, now_s, "after"), now_s, u_m)

    def _condition(self, now_s: float, u_m: float) -> None:
        """Say once that the condition has become another, if it was the same after two corners."""
        before, self._kind = self._kind, self.cue_context.track_model.judging.condition.today.kind
        if self._kind != before or self._kind == self._told_kind:
            return
        told = any(rule.about == self._kind for rule in self._rules())
        needed_s = self._needed_s(_PendingCall(self._kind, {}, -1, now_s, "other straight"))
        if told and self._room_s(now_s, u_m) >= needed_s:
            self._told_kind = self._kind
            self._open(self._kind, {}, now_s, u_m, "other straight")

    def _tell(self, one: _PendingCall, now_s: float, u_m: float) -> None:
        """Speak at once if there is room, else on the next straight with room, but not too late."""
        if self._room_s(now_s, u_m) < self._needed_s(one) and now_s - one.since_s < WAIT_S:
            self._waiting.append(one)
        else:
            self._open(one.about, one.values, now_s, u_m, one.slot, one.corner)

    def _fits(self, texts: list[str], now_s: float, u_m: float) -> bool:
        """Return whether one of ``texts`` may be spoken now."""
        return any(self._whole_s(text) <= self._room_s(now_s, u_m) for text in texts)

    def _whole_s(self, text: str) -> float:
        """Return the room for ``text`` [s]: nobody acts on a call, it need only be over."""
        return self.cue_context.cue_engine.arbiter.duration(text) + CLEAR_S + STARTS_AFTER_S

    def _needed_s(self, one: _PendingCall) -> float:
        """Return the room for the shortest text of a call [s], ROOM_S if there is none."""
        texts = [text for rule in self._rules() if rule.about == one.about for text in call_forms(rule, one.values)]
        return min(map(self._whole_s, texts), default=ROOM_S)

    def _room_s(self, now_s: float, u_m: float) -> float:
        """Return the time until the next corner's silence [s]."""
        quiet_m = self.cue_context.quiet_ahead(u_m)
        return self.cue_context.eta(now_s, u_m, 0.0)(quiet_m) - now_s if math.isfinite(quiet_m) else 0.0

    def pit(self, now_s: float, u_m: float) -> None:
        """Handle a pit entry: call what improved, and what is next."""
        schedule, track_model = self.cue_context.cue_engine.schedule, self.cue_context.track_model
        better, following = schedule.most_improved(), schedule.next_up()
        if better is not None:
            name = track_model.corners[better].say or track_model.corners[better].name
            self._open("better", {"corner": name}, now_s, u_m, "pit", better)
        if following is not None:
            rule, number_of = following
            corner = track_model.corners[number_of]
            worded = wordings(
                rule,
                corner,
                amount=schedule.recent.amount(rule, number_of),
                language=self._language,
                system=self.cue_context.cue_engine.rules.units,
            )
            advice = (
                (worded[0].short or worded[0].long) if worded and not {rule.name, rule.about} & corner.muted else ""
            )
            self._open("next", {"corner": corner.say or corner.name, "advice": advice}, now_s, u_m, "pit", number_of)

    @property
    def _language(self) -> Language:
        return self.cue_context.cue_engine.rules.language

    def _rules(self) -> tuple[CueRule, ...]:
        rules = self.cue_context.cue_engine.rules
        return tuple(r for r in rules.calls if rules.level in r.levels)

    def _open(
        self, about: str, values: Mapping[str, str], now_s: float, u_m: float, slot: str, corner: int = -1
    ) -> None:
        track_model, cue_engine = self.cue_context.track_model, self.cue_context.cue_engine
        muted = track_model.corners[corner].muted if corner >= 0 else frozenset[str]()
        deadline_m = u_m + track_model.reference.length_m if slot == "pit" else self.cue_context.quiet_ahead(u_m)
        for rule in self._rules():
            if rule.about != about or {rule.name, rule.about} & muted:
                continue
            forms = call_forms(rule, values)
            if forms and math.isfinite(deadline_m):
                lap = track_model.lap(u_m)
                cue_engine.answer(
                    Candidate(rule, corner, lap, forms, deadline_m, deadline_m, CLEAR_S, 0.0, now_s, slot=slot)
                )


def sector_ends(track_model: TrackModel) -> tuple[int, ...]:
    """Return the corners at whose end a sector ends: a third and two thirds of the reference's lap; () if there are few
    corners.
    """
    reference = track_model.reference
    at = [reference.value("t_s", free_m(zone)) for zone in track_model.zones]
    if not reference.closed or len(at) <= SECTORS:
        return ()
    wanted = [reference.lap_time_s * (n + 1) / (SECTORS + 1) for n in range(SECTORS)]
    ends = tuple(min(range(len(at)), key=lambda i: abs(at[i] - t)) for t in wanted)
    return ends if len(set(ends)) == SECTORS else ()
