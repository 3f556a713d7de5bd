"""The cue engine: opens candidates, lets the arbiter decide, and updates the schedule."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping

import msgspec

from coach.core.cue.arbiter import NEVER, Arbiter, Candidate, Verdict, held
from coach.core.cue.candidates import OpeningContext, RuleOutcome, after, approach, elsewhere
from coach.core.cue.memory import DriverProgress
from coach.core.cue.reasons import Reason
from coach.core.cue.rules import UNSCHEDULED, RuleSet
from coach.core.cue.schedule import Schedule
from coach.core.cue.topics import topic
from coach.core.values import Decision, Fault, Finding

MOST_A_CORNER = 2
"""Most cues before one corner (common practice, no source)."""


class CueEngine:
    """Turns places and passes into decisions. ``wake_s`` is the time of its next check."""

    def __init__(
        self,
        rules: RuleSet,
        names: tuple[str, ...],
        durations: Mapping[str, float],
        memory: DriverProgress | None = None,
    ) -> None:
        self.rules = rules
        self.names = names
        self.schedule = Schedule(rules, names, memory)
        self.arbiter = Arbiter(durations)
        self.wake_s = NEVER
        self._spoken_in: dict[int, int] = {}
        self._at_corner: dict[tuple[int, int], int] = {}
        self._owed: dict[int, set[str]] = {}
        self._found: dict[int, tuple[Finding, ...]] = {}
        self._lap = -(10**9)
        self.last_said: Candidate | None = None
        """The last cue that was said, its text as its only form; answers do not count."""

    def swap(
        self,
        rules: RuleSet,
        names: tuple[str, ...],
        durations: Mapping[str, float] | None,
        moved: Mapping[int, int],
    ) -> None:
        """Replace rules and corners; no candidate may be open. ``moved`` maps old to new corner numbers."""
        self.rules, self.names = rules, names
        self.schedule.swap(rules, names, moved)
        self._at_corner = {(lap, moved[c]): n for (lap, c), n in self._at_corner.items() if c in moved}
        self._owed.clear()
        self._found.clear()
        self.last_said = None
        if durations is not None:
            self.arbiter.durations = durations

    def spoken_in(self, lap: int) -> int:
        """Return the number of cues spoken in ``lap`` so far, without safety cautions."""
        return self._spoken_in.get(lap, 0)

    def open_approach(self, at: OpeningContext, s_m: float) -> list[Decision]:
        """Open candidates on a corner's approach."""
        self.new_lap(at.lap)
        self.schedule.opened(at.corner)
        self._found.pop(at.corner, None)
        self._owed.pop(at.corner, None)
        return self._open(approach(self.rules, self.schedule, at), at.t_s, s_m)

    def open_after(self, at: OpeningContext, s_m: float) -> list[Decision]:
        """Open candidates after a corner."""
        asked = after(self.rules, self.schedule, at)
        following = msgspec.structs.replace(at, lap=at.lap + 1, spoken_this_lap=self.spoken_in(at.lap + 1))
        asked += elsewhere(self.rules, self.schedule, at, following, self._owed, self._found)
        return self._open(asked, at.t_s, s_m)

    def _open(self, asked: Iterable[RuleOutcome], now_s: float, s_m: float) -> list[Decision]:
        out = []
        for one in asked:
            if one.hold:
                out.append(self._decision(held(one.candidate, one.hold, now_s), now_s, s_m))
            else:
                self.arbiter.open.append(one.candidate)
                self.wake_s = now_s
        return out

    def consider(self, now_s: float, s_m: float, eta: Callable[[float], float], may_speak: bool) -> list[Decision]:
        """Decide what is possible at ``now_s``."""
        out = self._spent(now_s, s_m)
        verdicts, self.wake_s = self.arbiter.consider(now_s, eta, may_speak)
        for verdict in verdicts:
            out.append(self._settle(verdict, now_s, s_m))
            if verdict.spoken and verdict.candidate.rule.family not in UNSCHEDULED:
                out += self._enough(verdict.candidate, now_s, s_m)
        return out

    def _enough(self, said: Candidate, now_s: float, s_m: float) -> list[Decision]:
        """Enforce limits after ``said``: one cue per topic at its corner, one correction per corner, MOST_A_CORNER in
        total.
        """
        out: list[Decision] = []
        if said.safety or said.rule.family == "confirmation":
            return out
        here = (said.lap, said.corner)
        self._at_corner = {k: n for k, n in self._at_corner.items() if k[0] >= said.lap - 1}
        count = self._at_corner[here] = self._at_corner.get(here, 0) + 1
        for c in list(self.arbiter.open):
            if c.safety or c.call or c.rule.family == "confirmation" or (c.lap, c.corner) != here:
                continue
            same = topic(c.rule, c.forms[-1]) == topic(said.rule, said.forms[-1])
            both = c.rule.family == "correction" and said.rule.family == "correction"
            if same or both or count >= MOST_A_CORNER:
                self.arbiter.open.remove(c)
                reason = Reason.BEATEN if same else Reason.BUSY_CORNER
                out.append(self._decision(held(c, reason, now_s), now_s, s_m))
        return out

    def _spent(self, now_s: float, s_m: float) -> list[Decision]:
        """Return the candidates of a lap whose budget ran out after they opened."""
        out = []
        for c in list(self.arbiter.open):
            if not c.safety and not c.asked and not c.call and self.spoken_in(c.lap) >= self.schedule.budget(c.lap):
                self.arbiter.open.remove(c)
                out.append(self._decision(held(c, Reason.LAP_LIMIT, now_s), now_s, s_m))
        return out

    def _settle(self, verdict: Verdict, now_s: float, s_m: float) -> Decision:
        candidate = verdict.candidate
        if candidate.rule.family in UNSCHEDULED:
            return self._decision(verdict, now_s, s_m)
        if verdict.spoken:
            self.last_said = msgspec.structs.replace(candidate, forms=(verdict.text,))
            self.schedule.spoke(candidate.rule, candidate.corner, candidate.lap, verdict.text, candidate.slot)
            if candidate.rule.family == "correction":
                self._owed.pop(candidate.corner, None)
            elif candidate.corner in self._owed:
                self._owed[candidate.corner].discard(candidate.rule.name)
            if not candidate.safety:
                self._spoken_in[candidate.lap] = self.spoken_in(candidate.lap) + 1
        elif verdict.reason in (Reason.NO_ROOM, Reason.BEATEN) and self._may_owe(candidate):
            self._owed.setdefault(candidate.corner, set()).add(candidate.rule.name)
            if not candidate.elsewhere:
                self.schedule.found_no_room(candidate.rule, candidate.corner, candidate.lap)
        return self._decision(verdict, now_s, s_m)

    def _may_owe(self, candidate: Candidate) -> bool:
        """Return whether a cue without room before its corner may be spoken elsewhere: corrections, and new
        cautions.
        """
        if candidate.rule.family == "caution":
            return not self.schedule.progress(candidate.rule, candidate.corner).said
        return candidate.rule.family == "correction"

    def _decision(self, verdict: Verdict, now_s: float, s_m: float) -> Decision:
        candidate = verdict.candidate
        return Decision(
            t_s=now_s,
            lap=candidate.lap,
            s_m=s_m,
            corner=self.names[candidate.corner] if candidate.corner >= 0 else "",
            rule=candidate.rule.name,
            outcome="spoken" if verdict.spoken else "held",
            reason=str(verdict.reason),
            text=verdict.text,
            ends_t_s=verdict.ends_s,
            action_t_s=verdict.action_s,
            family=candidate.rule.family,
            fault=candidate.rule.about,
            safety=candidate.safety,
            slot=candidate.slot,
        )

    def answer(self, candidate: Candidate) -> None:
        """Open an answer to the driver, or a call."""
        self.arbiter.open.append(candidate)
        self.wake_s = candidate.opened_s

    def not_said(self, candidate: Candidate, reason: Reason, now_s: float, s_m: float) -> Decision:
        """Return the decision on a candidate that was never opened."""
        return self._decision(held(candidate, reason, now_s), now_s, s_m)

    def drop(self, drops: Callable[[Candidate], bool], now_s: float, s_m: float, reason: Reason) -> list[Decision]:
        """Hold the open candidates that ``drops`` selects."""
        dropped = [c for c in self.arbiter.open if drops(c)]
        self.arbiter.open = [c for c in self.arbiter.open if not drops(c)]
        return [self._settle(held(c, reason, now_s), now_s, s_m) for c in dropped]

    def cancel_pending(self, now_s: float, s_m: float, reason: Reason) -> list[Decision]:
        """Hold all open candidates."""
        self.wake_s = NEVER
        return [self._settle(v, now_s, s_m) for v in self.arbiter.drop_all(now_s, reason)]

    def passed(
        self,
        corner: int,
        findings: tuple[Finding, ...],
        unjudged: frozenset[Fault] = frozenset(),
        loss_s: float = math.nan,
    ) -> None:
        """Learn from a valid pass that lost ``loss_s`` over corner and straight."""
        self.schedule.passed(corner, findings, unjudged, loss_s)

    def measured(self, corner: int, findings: tuple[Finding, ...]) -> None:
        """Take what the last pass shows, before it is known whether it counts: a cue may follow it."""
        self._found[corner] = findings

    def went_off(self, corner: int) -> None:
        """Record that the car left the road at ``corner``."""
        self.schedule.went_off(corner)

    def new_lap(self, lap: int) -> None:
        """Begin a lap at the approach of its first corner: choose the focus corners."""
        if lap <= self._lap:
            return
        self._lap = lap
        self.schedule.choose_work(lap)
        for old in [n for n in self._spoken_in if n < lap - 1]:
            del self._spoken_in[old]
