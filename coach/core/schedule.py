"""When a cue is due: taught, faded, retired, re-armed; which corners are in work; line before speed.

Grounds: faded feedback is retained better than constant (Winstein & Schmidt 1990; Aoyagi et al. 2019), a trial with
and one without is best (Park, Shea & Wright 2000), and silence inside a band beats feedback each time (Cruz et al.
2018; de Groot et al. 2011). Novices who add speed before position get slower (Kaufman et al. 2024).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import msgspec

from coach.core.memory import Memory, Progress
from coach.core.recent import LINE_FAULTS, Recent, shows
from coach.core.rules import CueRule, RuleSet
from coach.core.values import Fault, Finding
from coach.core.work import Work

KNOWN_CAUTIONS: Final = 2
"""Of the cautions that are known at most so many are said in a lap: with what is to be mended that is what a mind
holds (four things: Cowan 2001, Behav Brain Sci 24:87-114, from memory)."""
SETTLED_LAPS: Final = 6
SETTLED_CUES: Final = 4
"""From this lap on at most so many cues a lap, however many a rule set allows (common practice, no source)."""
OFTEN: Final = 2
"""Said more often than this times the passes of a cure, a reminder is known: it fades, whatever is driven."""
REHEARSED: Final = 2
"""Spoken this often a text is no longer new (common practice, no source)."""


class Schedule:
    """Decides for each rule and corner whether it is due; learns from each pass."""

    def __init__(self, rules: RuleSet, names: tuple[str, ...], memory: Memory | None = None) -> None:
        self.rules = rules
        self.names = names
        self.memory = memory if memory is not None else Memory()
        self.recent = Recent()
        self._progress: dict[str, list[Progress | None]] = {}
        self._nothing_due: set[str] = set()
        self.work = Work(rules.corners_in_work)
        self._cautions: dict[int, int] = {}
        self._told: set[int] = set()
        # before the first lap nothing is ahead
        self._opened: set[int] = set(range(len(names)))

    def swap(self, rules: RuleSet, names: tuple[str, ...], moved: Mapping[int, int]) -> None:
        """Other rules and corners: what is known is kept by name, what was found lately by ``moved``, old -> new."""
        self.rules, self.names = rules, names
        self._progress.clear()
        self._nothing_due.clear()
        self.recent.move(moved)
        self.work.most = rules.corners_in_work
        self.work.move(moved)

    def progress(self, rule: CueRule, corner: int) -> Progress:
        """The state of ``rule`` at ``corner``, made on first use."""
        row = self._corners_of(rule)
        known = row[corner]
        if known is None:
            known = row[corner] = self.memory.progress.setdefault(_key(rule, self.names[corner]), Progress())
        return known

    def _corners_of(self, rule: CueRule) -> list[Progress | None]:
        """The state of ``rule`` at each corner, as far as the memory has one."""
        row = self._progress.get(rule.name)
        if row is None:
            known = self.memory.progress
            row = self._progress[rule.name] = [known.get(_key(rule, name)) for name in self.names]
        return row

    def passed(self, corner: int, findings: tuple[Finding, ...], unjudged: frozenset[Fault] = frozenset()) -> None:
        """Learn from a valid pass; what is ``unjudged`` can neither have been found nor cured in it."""
        self.recent.add(corner, findings)
        for rule in self.rules.rules:
            if rule.about not in unjudged:
                self._learn(self.progress(rule, corner), rule, corner, shows(rule, findings))
        if not self._call(corner):
            self.work.came_right(corner)
        elif corner not in self._opened:
            # the last corner of a lap is known only when the next lap has begun
            self.work.join(corner, self._cost(corner))

    def _learn(self, p: Progress, rule: CueRule, corner: int, bad: bool) -> None:
        r = self.rules
        p.good, p.bad = (0, p.bad + 1) if bad else (p.good + 1, 0)
        if rule.family == "confirmation":
            p.due_confirm = p.due_confirm and not bad
            return
        if bad:
            p.silent_good = 0
            if p.bad >= r.rearm_passes:
                p.stage = "each"
            return
        if rule.family == "correction" and p.told and p.good >= r.cure_passes:
            p.told = 0
            self._cured(rule.about, corner)
        if p.stage == "each" and p.good >= r.cure_passes:
            p.stage, p.silent_good = "alternate", 0
        elif p.stage == "alternate" and p.good >= 2 * r.cure_passes:
            p.stage, p.silent_good = "outside", 0
        elif p.stage == "outside":
            p.silent_good += 1
            if p.silent_good >= r.retire_passes:
                p.stage = "retired"

    def _cured(self, fault: str, corner: int) -> None:
        for rule in self.rules.rules:
            if rule.family == "confirmation" and rule.about == fault:
                self.progress(rule, corner).due_confirm = True
                self._nothing_due.discard(rule.name)

    def cured(self, rule: CueRule) -> tuple[int, ...]:
        """The corners at which the confirmation ``rule`` is due."""
        if rule.name in self._nothing_due:
            return ()
        due = tuple([c for c, p in enumerate(self._corners_of(rule)) if p is not None and p.due_confirm])
        if not due:
            self._nothing_due.add(rule.name)
        return due

    def turn(self, rule: CueRule, corner: int) -> int:
        """Which of the wordings is due: the next one after each ``cure_passes`` times that did not help."""
        p = self.progress(rule, corner)
        vain = rule.family == "correction" and p.bad >= self.rules.cure_passes
        return p.said // self.rules.cure_passes if vain else 0

    def budget(self, lap: int) -> int:
        """How many cues may be spoken in ``lap``, safety cautions not counted."""
        most = self.rules.cues_per_lap
        return most if lap < SETTLED_LAPS else min(most, SETTLED_CUES)

    def hold(self, rule: CueRule, corner: int, lap: int, spoken_this_lap: int, hurts: bool = False) -> str:
        """Why the rule stays silent at ``corner`` in ``lap``; "" when it is due.

        ``hurts``: the profile says that what the rule is about can hurt there; it is said every other lap for ever.
        """
        p = self.progress(rule, corner)
        if rule.family == "confirmation":
            return "" if p.due_confirm else "inside the band"
        if lap - p.said_lap <= rule.cooldown_laps and p.said:
            return "cooldown"
        if rule.family == "correction":
            reason = self._hold_correction(rule, corner, lap, p)
        else:
            reason = self._hold_faded(rule, lap, p, hurts)
        if not reason and spoken_this_lap >= self.budget(lap) and not rule.safety:
            return "budget"
        return reason

    def _hold_correction(self, rule: CueRule, corner: int, lap: int, p: Progress) -> str:
        if not self.recent.due(rule, corner):
            return "inside the band"
        if corner not in self.work.corners:
            return "other corner first"
        if self.rules.level == "learning" and rule.about not in LINE_FAULTS and self.recent.line_is_off(corner):
            return "line first"
        if p.said >= self.rules.cure_passes and lap - p.said_lap < 2:
            return "fading"
        return ""

    def _hold_faded(self, rule: CueRule, lap: int, p: Progress, hurts: bool) -> str:
        if not rule.safety:
            if p.stage == "retired":
                return "fading"
            if p.stage == "outside" and not p.bad:
                return "inside the band"
        often = OFTEN * self.rules.cure_passes
        known = p.said >= (often if rule.safety and not p.bad else 2 * often)
        gap = 2 if p.said >= often or p.stage != "each" else 1
        if not hurts:
            gap = 4 if known else gap
            if rule.family == "caution" and p.said >= REHEARSED:
                gap = max(gap, math.ceil(self._known_cautions() / KNOWN_CAUTIONS))
                if self._cautions.get(lap, 0) >= KNOWN_CAUTIONS:
                    return "fading"
        return "fading" if p.said and lap - p.said_lap < gap else ""

    def _known_cautions(self) -> int:
        """How many cautions of the circuit are known and still said."""
        rows = [self._corners_of(r) for r in self.rules.rules if r.family == "caution"]
        return sum(p is not None and p.said >= REHEARSED and p.stage != "retired" for row in rows for p in row)

    def spoke(self, rule: CueRule, corner: int, lap: int, text: str) -> None:
        """Note that the rule was spoken."""
        p = self.progress(rule, corner)
        p.said += 1
        p.told += 1
        p.said_lap = lap
        p.due_confirm = False
        if rule.family == "correction":
            self._told.add(corner)
        if rule.family == "caution":
            self._cautions = {lap: self._cautions.get(lap, 0) + 1}
        self.memory.heard[text] = self.memory.heard.get(text, 0) + 1

    def opened(self, corner: int) -> None:
        """What may be said before ``corner`` in this lap was asked."""
        self._opened.add(corner)

    def no_room(self, corner: int) -> None:
        """A correction could not be said at ``corner``: if nothing was, another corner has its turn in this lap."""
        if corner not in self._told:
            self.work.pass_on(corner, set(range(len(self.names))) - self._opened)

    def leave_unsaid(self, rule: CueRule, corner: int) -> None:
        """A confirmation that is muted is not due any more."""
        self.progress(rule, corner).due_confirm = False

    def is_new(self, rule: CueRule, corner: int, text: str) -> bool:
        """Whether what the rule says at ``corner``, in short ``text``, is still new to this driver."""
        said = self.progress(rule, corner).said
        return said < REHEARSED or (bool(self.turn(rule, corner)) and not self.heard(text))

    def heard(self, text: str) -> bool:
        """Whether the driver has heard exactly this before."""
        return self.memory.heard.get(text, 0) > 0

    def choose_work(self, lap: int) -> tuple[int, ...]:
        """At the start of a lap: the corners in work in it."""
        self._told.clear()
        self._opened.clear()
        self.work.begin(lap, {c: self._cost(c) for c in self.recent.corners if self._call(c)})
        return tuple(sorted(self.work.corners))

    def _call(self, corner: int) -> bool:
        """Whether any correction is due at ``corner``."""
        if not self.recent.last(corner):
            return False
        return any(r.family == "correction" and self.recent.due(r, corner) for r in self.rules.rules)

    def _cost(self, corner: int) -> float:
        return self.recent.cost(corner, [r for r in self.rules.rules if r.family == "correction"])

    def state(self) -> Memory:
        """What to keep for the next session: laps start anew there."""
        kept = {key: msgspec.structs.replace(p, said_lap=-1000) for key, p in self.memory.progress.items()}
        return Memory(kept, dict(self.memory.heard))


def _key(rule: CueRule, corner: str) -> str:
    return f"{rule.name}@{corner}"
