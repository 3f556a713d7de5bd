"""The arbiter: decides which open candidate speaks now, which waits and which is dropped; none is late.

Total order: safety, priority, nearest deadline, larger loss, rule name. Only a safety caution interrupts, nothing
resumes, and a cue that can no longer end in time is dropped. A lower candidate may speak before a higher one that is
not due yet, if it ends before the higher one must begin.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

import msgspec

from coach.core.cue.reasons import Reason
from coach.core.cue.rules import CueRule
from coach.core.cue.spoken_pieces import pauses, split
from coach.core.track.timing import LONGEST_LEAD_S, SHORT_LEAD_S, STARTS_AFTER_S

PAUSE_S: Final = 0.3
"""Silence that separates two cues (common practice, no source)."""
WORD_S: Final = 60.0 / 160.0
"""Duration of a word at the default rate, for texts without a rendered duration."""
CLEAR_S: Final = 0.3
"""Silence between a cue about another corner and the brake point (common practice, no source)."""
CALM_S: Final = 0.25
"""A correction waits this long after the previous corner: the driver may reach full throttle a little later than the
reference (common practice, no source).
"""
LOOK_S: Final = 0.1
"""Interval for rechecking a candidate that waits for the phase [s]."""
NEVER: Final = float("inf")
ASKED: Final = "asked"
"""The slot of answers to the driver."""


class Candidate(msgspec.Struct, frozen=True):
    """A possible cue: its forms from long to short, and the place [m driven] of its action.

    ``deadline_m`` is where it must end, ``margin_s`` early: the action, or the start of silence if earlier. A cue
    before another corner must also end CLEAR_S before that corner's silence, at ``end_by_m``.
    """

    rule: CueRule
    corner: int
    lap: int
    forms: tuple[str, ...]
    deadline_m: float
    action_m: float
    margin_s: float
    loss_s: float
    opened_s: float
    new: bool = False
    safety: bool = False
    end_by_m: float = NEVER
    slot: str = "approach"

    @property
    def elsewhere(self) -> bool:
        """Whether it is spoken by name far from its corner: any time suits, and nearer cues come first."""
        return self.slot in ("after", "other straight")

    @property
    def asked(self) -> bool:
        """Whether the driver asked for it: it waits only for a quiet moment."""
        return self.slot == ASKED

    @property
    def call(self) -> bool:
        """Whether it is a call: it must not take a cue's room."""
        return self.rule.family == "call"


class Verdict(msgspec.Struct, frozen=True):
    """The verdict on a candidate: spoken (``ends_s`` is its predicted end), or held with a reason."""

    candidate: Candidate
    spoken: bool
    reason: Reason
    text: str
    ends_s: float
    action_s: float


class _Plan(msgspec.Struct, frozen=True):
    candidate: Candidate
    over_s: float
    ready_s: float
    free_s: float
    forms: tuple[str, ...]
    latest_s: float
    whole_s: float
    """Latest start for the full text."""

    @property
    def key(self) -> tuple[bool, bool, bool, int, float, float, float, str, int, int, tuple[str, ...]]:
        """Total order, so that the order of rules in a file does not matter."""
        c = self.candidate
        order = (self.over_s, c.action_m, -c.loss_s)
        first = (not c.safety, not c.asked, c.elsewhere or c.call, -c.rule.priority)
        return (*first, *order, c.rule.name, c.corner, c.lap, c.forms)


@dataclass
class Arbiter:
    """Holds the open candidates; ``durations`` maps a text to its rendered length [s]."""

    durations: Mapping[str, float]
    open: list[Candidate] = field(default_factory=list)
    busy_until_s: float = float("-inf")
    _began_s: float = float("-inf")
    _safety_speaks: bool = False

    def duration(self, text: str) -> float:
        """Return the length of ``text`` [s]; from its pieces, or estimated from its words."""
        known = self.durations.get(text)
        if known is not None:
            return known
        parts = [self.durations.get(part) for part in split(text)]
        lengths = [part for part in parts if part is not None]
        if len(lengths) == len(parts):
            return sum(lengths) + sum(pauses(text))
        return 0.25 + WORD_S * len(text.split())

    def consider(self, now_s: float, eta: Callable[[float], float], may_speak: bool) -> tuple[list[Verdict], float]:
        """Decide at ``now_s``. ``eta(place_m)`` predicts the session time at a place [s].

        ``may_speak`` is false in quiet phases, which allow only safety cautions. Return the verdicts and the time of
        the next check (inf: not before something opens).
        """
        verdicts: list[Verdict] = []
        again, must_be_over, gives_way = NEVER, NEVER, NEVER
        for plan in sorted((self._plan(c, now_s, eta) for c in self.open), key=lambda p: p.key):
            candidate = plan.candidate
            if not plan.forms:
                self.open.remove(candidate)
                reason = Reason.BEATEN if self._began_s >= candidate.opened_s else Reason.NO_ROOM
                verdicts.append(held(candidate, reason, now_s, eta(candidate.action_m)))
                continue
            due = now_s >= max(plan.ready_s, plan.free_s) and (may_speak or candidate.safety)
            text = self._text(plan, now_s, gives_way if candidate.call else must_be_over) if due else ""
            if text:
                verdicts.append(self._speak(candidate, text, now_s, eta(candidate.action_m)))
                return verdicts, self.busy_until_s + PAUSE_S if self.open else NEVER
            must_be_over = min(must_be_over, plan.latest_s)
            gives_way = min(gives_way, plan.whole_s)
            again = min(again, max(plan.ready_s, plan.free_s, now_s + LOOK_S))
        return verdicts, again

    def _plan(self, candidate: Candidate, now_s: float, eta: Callable[[float], float]) -> _Plan:
        over = eta(candidate.deadline_m)
        if candidate.end_by_m < NEVER:
            over = min(over, eta(candidate.end_by_m) - CLEAR_S + candidate.margin_s)
        free = now_s
        if self.busy_until_s + PAUSE_S > now_s and (not candidate.safety or self._safety_speaks):
            free = self.busy_until_s + PAUSE_S
        end = over - candidate.margin_s - STARTS_AFTER_S
        forms = tuple(f for f in candidate.forms if free + self.duration(f) <= end)
        lead = LONGEST_LEAD_S if candidate.new else SHORT_LEAD_S
        latest = end - min(map(self.duration, candidate.forms))
        ready = over - candidate.margin_s - lead
        if candidate.elsewhere or candidate.asked or candidate.call:
            ready = now_s
        if candidate.rule.family == "correction" and not candidate.safety and not candidate.asked:
            ready = max(ready, candidate.opened_s + CALM_S)
        whole = end - max(map(self.duration, forms or candidate.forms))
        return _Plan(candidate, over, ready, free, forms, latest, whole)

    def _text(self, plan: _Plan, now_s: float, must_be_over_s: float) -> str:
        """Return the longest form that ends before a higher candidate must begin, or ""."""
        for form in plan.forms:
            if now_s + STARTS_AFTER_S + self.duration(form) + PAUSE_S <= must_be_over_s:
                return form
        return ""

    def _speak(self, candidate: Candidate, text: str, now_s: float, action_s: float) -> Verdict:
        self.open.remove(candidate)
        self._began_s = now_s
        self.busy_until_s = now_s + STARTS_AFTER_S + self.duration(text)
        self._safety_speaks = candidate.safety
        return Verdict(candidate, True, Reason.NONE, text, self.busy_until_s, action_s)

    def drop_all(self, now_s: float, reason: Reason) -> list[Verdict]:
        """Hold all open candidates: tracking was lost, or the session ended."""
        verdicts = [held(c, reason, now_s) for c in self.open]
        self.open.clear()
        return verdicts


def held(candidate: Candidate, reason: Reason, now_s: float, action_s: float = float("nan")) -> Verdict:
    """Return a verdict that holds ``candidate``, with its short words."""
    return Verdict(candidate, False, reason, candidate.forms[-1], now_s, action_s)
