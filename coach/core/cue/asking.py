"""Driver requests: kept until a quiet moment, then answered like any cue, or dropped when too old.

Learners retain requested feedback better than the same feedback at other times (Chiviacowsky & Wulf 2002, Research
Quarterly for Exercise and Sport 73(4):408-415, from memory). Learners mostly ask after trials they think good, and
confirming it is part of the benefit (Chiviacowsky, Wulf & Lewthwaite 2012, Frontiers in Psychology 3:458): so a corner
without a fault gets an answer too.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from typing import Final, Literal

import msgspec

from coach.core.cue.arbiter import ASKED, LOOK_S, PAUSE_S, Candidate
from coach.core.cue.cue_context import CueContext
from coach.core.cue.limits import limit
from coach.core.cue.reasons import Reason
from coach.core.cue.rules import CueRule
from coach.core.cue.topics import opposes
from coach.core.cue.wording import with_name, wordings
from coach.core.track.timing import STARTS_AFTER_S
from coach.core.values import Corner, Decision, Finding

Request = Literal["repeat", "last_corner", "quiet_lap", "mark"]
KEPT_S: Final = 10.0
"""Age limit of a request: the longest corner ends by then (common practice, no source)."""
KEPT_REVIEW_S: Final = 25.0
"""Age limit of an answer that names its corner, as corners follow one another (common practice, no source)."""

About = tuple[int, int]
"""A corner, and the lap in which it began."""


class Reviewed(msgspec.Struct, frozen=True):
    """Findings of a corner, costliest first; not ``judged`` where meaningless, as after a spin."""

    findings: tuple[Finding, ...]
    judged: bool


Review = Callable[[About, float], Reviewed | None]
"""A corner's findings up to a place [m]; None until it can be measured."""


class _Waiting(msgspec.Struct, frozen=True):
    request: Request
    t_s: float
    about: About | None

    def old(self, now_s: float) -> bool:
        return now_s - self.t_s > (KEPT_REVIEW_S if self.request == "last_corner" else KEPT_S)


class Asking:
    """Pending requests. ``review`` measures the corner just driven at the request."""

    def __init__(self, cue_context: CueContext, review: Review) -> None:
        self.cue_context = cue_context
        self._review = review
        self._waiting: deque[_Waiting] = deque()
        self._offered: _Waiting | None = None
        self._found: tuple[About, Reviewed] | None = None

    def ask(self, request: Request, now_s: float, u_m: float, about: About | None) -> list[Decision]:
        """Take a request; ``look`` answers it. ``about`` is the current or last corner."""
        self._waiting.append(_Waiting(request, now_s, about))
        self._found = None  # review again on another request: more of the corner is driven
        self.cue_context.cue_engine.wake_s = min(self.cue_context.cue_engine.wake_s, now_s)
        return self.cue_context.quiet_lap(now_s, u_m) if request == "quiet_lap" else []

    def look(self, now_s: float, u_m: float, speed_mps: float, may_speak: bool) -> list[Decision]:
        """Open possible answers; the cue engine must consider them at the same time."""
        out: list[Decision] = []
        for one in [w for w in self._waiting if w.old(now_s)]:
            self._waiting.remove(one)
            out.append(self._dropped(one, Reason.TOO_OLD, now_s, u_m))
        cue_engine = self.cue_context.cue_engine
        if may_speak:
            for one in tuple(self._waiting):
                candidate = self._candidate(one, now_s, u_m)
                if candidate is None and (one.request == "repeat" or one.about is None):
                    self._waiting.remove(one)
                    reason = Reason.NOTHING_SAID if one.request == "repeat" else Reason.NOTHING_DRIVEN
                    out.append(self._dropped(one, reason, now_s, u_m))
                elif candidate is not None and self._fits(candidate, now_s, u_m, speed_mps):
                    self._offered = one
                    cue_engine.answer(candidate)
                    break
        return out

    def look_again(self, now_s: float) -> None:
        """Keep unspoken answers pending after the cue engine considered them, and set its wake-up."""
        cue_engine = self.cue_context.cue_engine
        if self._offered is not None:
            left = [c for c in cue_engine.arbiter.open if not c.asked]
            if len(left) == len(cue_engine.arbiter.open):
                self._waiting.remove(self._offered)
            cue_engine.arbiter.open, self._offered = left, None
        if self._waiting:
            cue_engine.wake_s = min(cue_engine.wake_s, now_s + LOOK_S)

    def drop_all(self, now_s: float, u_m: float, reason: Reason) -> list[Decision]:
        """Drop all requests: the car was lost, or the session ended."""
        waiting = list(self._waiting)
        self._waiting.clear()
        self._found = None
        return [self._dropped(one, reason, now_s, u_m) for one in waiting]

    def _fits(self, candidate: Candidate, now_s: float, u_m: float, speed_mps: float) -> bool:
        """Return whether its shortest form ends in time; else it waits for the next straight."""
        arbiter = self.cue_context.cue_engine.arbiter
        over = (
            self.cue_context.reach(now_s, u_m, speed_mps)(candidate.over_m) if candidate.over_m < math.inf else math.inf
        )
        if arbiter.busy_until_s + PAUSE_S > now_s:
            return False
        return now_s + min(map(arbiter.duration, candidate.forms)) <= over - candidate.margin_s - STARTS_AFTER_S

    def _dropped(self, one: _Waiting, reason: Reason, now_s: float, u_m: float) -> Decision:
        candidate = self._plain(one.request, self._answer(one.request), now_s, u_m)
        return self.cue_context.cue_engine.not_said(candidate, reason, now_s, self.cue_context.track_model.place(u_m))

    def _candidate(self, one: _Waiting, now_s: float, u_m: float) -> Candidate | None:
        if one.request == "repeat":
            return self._repeated(now_s, u_m)
        if one.request == "last_corner":
            found = self._about(one.about, now_s, u_m) if one.about is not None else None
            nameless = found is not None and found.rule.family == "answer" and now_s - one.t_s > KEPT_S
            return None if nameless else found
        return self._plain(one.request, self._answer(one.request), now_s, u_m)

    def _plain(self, about: str, text: str, now_s: float, u_m: float, corner: int = -1) -> Candidate:
        """Return an answer that is not a rule's cue."""
        rule = CueRule(about, "answer", about, "straight", text, text, priority=100)
        over = self.cue_context.quiet_ahead(u_m)
        lap = self.cue_context.track_model.lap(u_m)
        margin = self.cue_context.cue_engine.rules.margin_rehearsed_s
        return Candidate(rule, corner, lap, (text,), over, over, margin, 0.0, now_s, slot=ASKED)

    def _repeated(self, now_s: float, u_m: float) -> Candidate | None:
        """Return the last cue, with its corner's name once passed."""
        said = self.cue_context.cue_engine.last_said
        if said is None:
            return None
        text = said.forms[0]
        if u_m >= said.action_m:
            corner = self.cue_context.track_model.corners[said.corner]
            text = with_name(text, corner.say or corner.name) or text
        plain = self._plain("repeat", text, now_s, u_m, said.corner)
        return msgspec.structs.replace(plain, rule=msgspec.structs.replace(plain.rule, about=said.rule.about))

    def _about(self, about: About, now_s: float, u_m: float) -> Candidate | None:
        """Return the costliest finding of a corner as spoken right after it."""
        if self._found is None or self._found[0] != about:
            reviewed = self._review(about, u_m)
            if reviewed is None:
                return None
            self._found = (about, reviewed)
        reviewed = self._found[1]
        number, lap = about
        corner = self.cue_context.track_model.corners[number]
        for finding in reviewed.findings if reviewed.judged else ():
            for rule in self._rules(finding, corner):
                forms, board_m = self._forms(rule, finding, number)
                if forms and not limit(rule, corner, finding.amount, board_m) and not _hurts(rule, corner):
                    plain = self._plain(rule.name, forms[-1], now_s, u_m, number)
                    return msgspec.structs.replace(plain, rule=rule, lap=lap + 1, forms=forms, loss_s=finding.cost_s)
        right = reviewed.judged and not reviewed.findings
        plain = self._plain("last_corner", self._answer("no rule"), now_s, u_m, number)
        forms = (self._answer("right"), self._answer("right short"))
        return msgspec.structs.replace(plain, forms=forms) if right else plain

    def _answer(self, key: str) -> str:
        return self.cue_context.cue_engine.rules.language.answer(key)

    def _rules(self, finding: Finding, corner: Corner) -> list[CueRule]:
        rules = self.cue_context.cue_engine.rules
        return [
            r
            for r in rules.rules
            if r.family == "correction"
            and r.about == finding.fault
            and rules.level in r.levels
            and not {r.name, r.about} & corner.muted
        ]

    def _forms(self, rule: CueRule, finding: Finding, corner: int) -> tuple[tuple[str, ...], float]:
        """Return the texts and the brake point they imply [m], NaN without a board."""
        track_model, rules = self.cue_context.track_model, self.cue_context.cue_engine.rules
        found = wordings(
            rule, track_model.corners[corner], amount=finding.amount, cost_s=finding.cost_s,
            gradient=track_model.gradient[corner], language=rules.language, system=rules.units,
        )  # fmt: skip
        forms = (*found[0].next_time, *found[0].named[-1:]) if found else ()
        return forms, found[0].board_m(forms) if found else math.nan


def _hurts(rule: CueRule, corner: Corner) -> bool:
    """Return whether a safety caution of the corner contradicts it."""
    return any(opposes(rule.about, c.kind, (c.words,)) for c in corner.cautions if c.safety)
