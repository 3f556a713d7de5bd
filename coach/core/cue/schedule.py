"""Decides when a cue is due: taught, faded, retired, re-armed; chooses focus corners; puts line before speed.

Grounds: faded feedback is retained better than constant (Winstein & Schmidt 1990; Aoyagi et al. 2019), a trial with
and one without is best (Park, Shea & Wright 2000), and silence inside a band beats feedback each time (Cruz et al.
2018; de Groot et al. 2011). Novices who add speed before position get slower (Kaufman et al. 2024).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import msgspec

from coach.core.cue.corner_rotation import FocusCorners
from coach.core.cue.memory import DriverProgress, Progress
from coach.core.cue.reasons import Reason
from coach.core.cue.recent_findings import ABOUT, LINE_FAULTS, Recent, shows
from coach.core.cue.responses import RESPONDED, Responses
from coach.core.cue.rules import CueRule, RuleSet
from coach.core.values import Fault, Finding

SAFETY_LAPS: Final = 5
"""Laps between repeats of known safety cautions, one at a time (common practice, no source)."""
HALF: Final = 0.6
"""Largest remaining share of the first amount for "half way" (common practice, no source)."""
BETTER: Final = 0.5
"""Share of a corner's cost gained that counts as improved (common practice, no source)."""
STAYS: Final = 1.25
"""The fault in focus at a corner stays until another is worth this much more (common practice, no source)."""
URGENT: Final = 85
"""Corrections of at least this priority precede those that only cost time: they keep the car on the road."""
SETTLED_LAPS: Final = 6
SETTLED_CUES: Final = 4
"""Most cues per lap from this lap on, whatever a rule set allows (common practice, no source)."""
ALTERNATE_LAPS: Final = 2
"""Laps between cues about a fault: a silent pass makes the driver recall the cue (Park, Shea & Wright 2000)."""
TWICE: Final = 2
BRAKE_POINT: Final = frozenset({"brake_early", "brake_late"})
WAITS_LAPS: Final = 2
"""Laps without room for a correction after which fewer words will do (common practice, no source)."""
REHEARSED: Final = 2
"""Number of times after which a text is no longer new (common practice, no source)."""


class Schedule:
    """Decides for each rule and corner whether it is due; learns from each pass."""

    def __init__(self, rules: RuleSet, names: tuple[str, ...], memory: DriverProgress | None = None) -> None:
        self.rules = rules
        self.names = names
        self.memory = memory if memory is not None else DriverProgress()
        self.recent = Recent()
        self._progress: dict[str, list[Progress | None]] = {}
        self._nothing_due: set[str] = set()
        self.work = FocusCorners(rules.corners_in_work)
        self.responses = Responses(self.memory)
        self._things: dict[int, str] = {}
        self._told_cost: dict[int, float] = {}
        self._no_room: dict[str, set[int]] = {}
        self._safety: dict[str, Progress] = {}
        self._repeated_lap = -1000
        # nothing is ahead before the first lap
        self._opened: set[int] = set(range(len(names)))

    def swap(self, rules: RuleSet, names: tuple[str, ...], moved: Mapping[int, int]) -> None:
        """Replace rules and corners: progress is kept by name, recent findings by ``moved``, old -> new."""
        self.rules, self.names = rules, names
        self._progress.clear()
        self._safety.clear()
        self._nothing_due.clear()
        self.recent.move(moved)
        self.work.most = rules.corners_in_work
        self.work.move(moved)
        self.responses.forget_sent()
        self._told_cost = {moved[c]: cost for c, cost in self._told_cost.items() if c in moved}
        self._things = {moved[c]: name for c, name in self._things.items() if c in moved}

    def progress(self, rule: CueRule, corner: int) -> Progress:
        """Return the state of ``rule`` at ``corner``, made on first use."""
        row = self._corners_of(rule)
        known = row[corner]
        if known is None:
            known = row[corner] = self.memory.progress.setdefault(_key(rule, self.names[corner]), Progress())
        return known

    def _corners_of(self, rule: CueRule) -> list[Progress | None]:
        """Return the stored states of ``rule`` at all corners."""
        row = self._progress.get(rule.name)
        if row is None:
            known = self.memory.progress
            row = self._progress[rule.name] = [known.get(_key(rule, name)) for name in self.names]
        return row

    def passed(
        self,
        corner: int,
        findings: tuple[Finding, ...],
        unjudged: frozenset[Fault] = frozenset(),
        loss_s: float = math.nan,
    ) -> None:
        """Learn from a valid pass that lost ``loss_s``; ``unjudged`` faults count as neither found nor cured."""
        self.recent.add(corner, findings, loss_s)
        corrections = [r for r in self.rules.rules if r.family == "correction"]
        amounts = {r.name: f.amount for r in corrections for f in findings if f.fault == r.about}
        self.responses.passed(corner, amounts)
        for rule in self.rules.rules:
            if rule.about not in unjudged:
                known = rule.family != "caution" or rule.about in ABOUT
                self._learn(self.progress(rule, corner), rule, corner, known and shows(rule, findings))
        if not self._call(corner):
            self.work.resolved(corner, self._opened)
        elif corner not in self._opened:
            # the last corner of a lap is known only after the next lap begins
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
        if rule.family == "correction" and self._no_luck(rule, corner, p):
            p.told, p.acknowledged = 0, False
            self._cured(rule.about, corner)
        if p.stage == "each" and p.good >= r.cure_passes:
            p.stage, p.silent_good = "alternate", 0
        elif p.stage == "alternate" and p.good >= 2 * r.cure_passes:
            p.stage, p.silent_good = "outside", 0
        elif p.stage == "outside":
            p.silent_good += 1
            if p.silent_good >= r.retire_passes:
                p.stage = "retired"

    def _no_luck(self, rule: CueRule, corner: int, p: Progress) -> bool:
        """Return whether the good passes are a cure: too many for chance, and faster by what the fault cost."""
        if not p.told or p.good < self.rules.cure_passes or not (1.0 - p.share) ** p.good < self.rules.luck:
            return False
        return self.recent.gained(rule, corner, p.good)

    def _cured(self, fault: str, corner: int) -> None:
        for rule in self.rules.rules:
            if rule.family == "confirmation" and rule.about == fault:
                self.progress(rule, corner).due_confirm = True
                self._nothing_due.discard(rule.name)

    def cured(self, rule: CueRule) -> tuple[int, ...]:
        """Return the corners at which the confirmation ``rule`` is due."""
        if rule.name in self._nothing_due:
            return ()
        due = tuple([c for c, p in enumerate(self._corners_of(rule)) if p is not None and p.due_confirm])
        if not due:
            self._nothing_due.add(rule.name)
        return due

    def turn(self, rule: CueRule, corner: int) -> int:
        """Return the wording that is due: the next one after each ``cure_passes`` cues without effect."""
        p = self.progress(rule, corner)
        vain = rule.family == "correction" and p.bad >= self.rules.cure_passes
        return p.said // self.rules.cure_passes if vain else 0

    def budget(self, lap: int) -> int:
        """Return the number of cues allowed in ``lap``, without safety cautions."""
        most = self.rules.cues_per_lap
        return most if lap < SETTLED_LAPS else min(most, SETTLED_CUES)

    def hold(self, rule: CueRule, corner: int, lap: int, spoken_this_lap: int, hurts: bool = False) -> Reason:
        """Return why the rule stays silent at ``corner`` in ``lap``; NONE if it is due.

        ``hurts``: the profile marks the rule's advice as risky there.
        """
        p = self.progress(rule, corner)
        if rule.family == "confirmation":
            return Reason.NONE if p.due_confirm else Reason.WITHIN_TOLERANCE
        if p.said and lap - p.said_lap <= (rule.cooldown_laps if p.said_lap < lap else 0):
            return Reason.SAID_RECENTLY
        if any(self._said(name, corner) for name in rule.opposes):
            return Reason.OPPOSED
        if rule.family == "correction":
            reason = self._hold_correction(rule, corner, lap, p)
        elif rule.family == "caution":
            reason = self._hold_caution(lap, p, self._safety_of(rule, corner) if hurts else None)
        else:
            reason = self._hold_reminder(lap, p)
        if not reason and spoken_this_lap >= self.budget(lap) and not rule.safety:
            return Reason.LAP_LIMIT
        return reason

    def reminded(self, corner: int) -> frozenset[str]:
        """Return the subjects of the reminders that this driver ever heard at ``corner``."""
        return frozenset(r.about for r in self.rules.rules if r.family == "reminder" and self._said(r.name, corner))

    def _said(self, name: str, corner: int) -> bool:
        """Return whether a rule was ever spoken at ``corner`` to this driver."""
        known = self.memory.progress.get(f"{name}@{self.names[corner]}")
        return known is not None and known.said > 0

    def _hold_correction(self, rule: CueRule, corner: int, lap: int, p: Progress) -> Reason:
        if not self._due(rule, corner):
            return Reason.WITHIN_TOLERANCE
        if corner not in self.work.corners:
            return Reason.NO_RESPONSE if self.work.rests(corner) else Reason.OTHER_CORNER
        if self.rules.level == "learning" and rule.about not in LINE_FAULTS and self.recent.line_is_off(corner):
            return Reason.LINE_FIRST
        if rule.name != self._thing(corner):
            return Reason.OTHER_FAULT
        if lap - p.said_lap < ALTERNATE_LAPS:
            return Reason.KNOWN
        return Reason.NONE

    def _thing(self, corner: int) -> str:
        """Return the correction in focus at ``corner``: it stays until it is cured or another is worth more."""
        due = [r for r in self.rules.rules if r.family == "correction" and self._due(r, corner)]
        line = [r for r in due if r.about in LINE_FAULTS]
        if line and self.rules.level == "learning":
            due = line
        held = self._things.get(corner, "")

        def worth(rule: CueRule) -> tuple[bool, float, int, str]:
            gain = self.gain(rule, corner) * (STAYS if rule.name == held else 1.0)
            return (rule.priority >= URGENT, gain, rule.priority, rule.name)

        best = max(due, key=worth).name
        self._things[corner] = best
        return best

    def stuck_on_brakes(self) -> tuple[int, ...]:
        """Return the resting corners where cues about the brake point failed in two rounds."""
        about = {r.name: r.about for r in self.rules.rules}
        return tuple(c for c in self.work.stuck() if about.get(self._things.get(c, "")) in BRAKE_POINT)

    def gain(self, rule: CueRule, corner: int) -> float:
        """Return the expected gain per lap of speaking ``rule`` before ``corner`` [s]."""
        return self.recent.cost(corner, (rule,)) * self.responses.chance(self._wording_key(rule, corner), "approach")

    def _wording_key(self, rule: CueRule, corner: int) -> str:
        return f"{_key(rule, self.names[corner])} {self.turn(rule, corner)}"

    def _safety_of(self, rule: CueRule, corner: int) -> dict[str, Progress]:
        """Return the states of all safety cautions so far, with this one."""
        self._safety.setdefault(_key(rule, self.names[corner]), self.progress(rule, corner))
        return self._safety

    def _hold_caution(self, lap: int, p: Progress, safety: Mapping[str, Progress] | None) -> Reason:
        """Hold a caution once it was said, except after a mistake there; repeat only ``safety`` cautions, in turn: one
        every SAFETY_LAPS laps.
        """
        since = lap - p.said_lap
        if not p.said:
            return Reason.NONE
        if p.bad and since >= min(p.said, SAFETY_LAPS):
            return Reason.NONE
        if safety is None or since < SAFETY_LAPS:
            return Reason.KNOWN
        if p.said_lap < 0:
            # not yet in this session
            return Reason.NONE
        longest = all(p.said_lap <= other.said_lap for other in safety.values())
        return Reason.NONE if longest and lap - self._repeated_lap >= SAFETY_LAPS else Reason.KNOWN

    def _hold_reminder(self, lap: int, p: Progress) -> Reason:
        if p.stage == "retired":
            return Reason.KNOWN
        if p.stage == "outside" and not p.bad:
            return Reason.WITHIN_TOLERANCE
        # known once said as often as a cure takes passes: it fades whatever the driver does
        often = self.rules.cure_passes
        gap = 4 if p.said >= 2 * often else 2 if p.said >= often or p.stage != "each" else 1
        return Reason.KNOWN if p.said and lap - p.said_lap < gap else Reason.NONE

    def went_off(self, corner: int) -> None:
        """Record that the car left the road there: the profile's cautions are due at once."""
        for rule in self.rules.rules:
            if rule.family == "caution":
                p = self.progress(rule, corner)
                p.bad, p.good, p.said_lap = 1, 0, -1000

    def spoke(self, rule: CueRule, corner: int, lap: int, text: str, slot: str = "approach") -> None:
        """Record that the rule spoke in ``slot``."""
        p = self.progress(rule, corner)
        if rule.family == "correction":
            amount = self.recent.amount(rule, corner)
            self.responses.told(corner, rule.name, self._wording_key(rule, corner), slot, amount)
            self.work.told(corner, self._all_cost(corner))
            self._told_cost.setdefault(corner, self._all_cost(corner))
            if not p.told:
                p.first_amount, p.share, p.acknowledged = amount, self.recent.share(rule, corner), False
            elif self.half_way(rule, corner):
                p.acknowledged = True
        if rule.family == "caution" and p.said:
            self._repeated_lap = lap
        p.said += 1
        p.told += 1
        p.said_lap = lap
        p.due_confirm = False
        self._no_room.pop(_key(rule, self.names[corner]), None)
        self.memory.heard[text] = self.memory.heard.get(text, 0) + 1

    def half_way(self, rule: CueRule, corner: int) -> bool:
        """Return whether the fault is about half of its amount at the first cue, and this was not confirmed yet."""
        p = self.progress(rule, corner)
        if not p.told or p.acknowledged or rule.family != "correction":
            return False
        return 0.0 < self._latest_amount(rule, corner) <= HALF * p.first_amount

    def _latest_amount(self, rule: CueRule, corner: int) -> float:
        """Return the amount in the last pass with the fault; 0 without any. A mean would lag behind the driver."""
        _, latest = self.recent.seen(rule, corner)
        return latest.amount if latest is not None else 0.0

    def no_nearer(self, rule: CueRule, corner: int) -> bool:
        """Return whether two cues about the fault changed nothing of its amount."""
        p = self.progress(rule, corner)
        return p.told == TWICE and self._latest_amount(rule, corner) > RESPONDED * p.first_amount

    def found_no_room(self, rule: CueRule, corner: int, lap: int) -> None:
        """Record that a cue found no room in ``lap``."""
        self._no_room.setdefault(_key(rule, self.names[corner]), set()).add(lap)

    def waits_long(self, rule: CueRule, corner: int) -> bool:
        """Return whether a cue found no room in WAITS_LAPS laps since it was last said."""
        return len(self._no_room.get(_key(rule, self.names[corner]), ())) >= WAITS_LAPS

    def opened(self, corner: int) -> None:
        """Record that the cues before ``corner`` were evaluated in this lap."""
        self._opened.add(corner)

    def leave_unsaid(self, rule: CueRule, corner: int) -> None:
        """Drop a muted confirmation."""
        self.progress(rule, corner).due_confirm = False

    def is_new(self, rule: CueRule, corner: int, text: str) -> bool:
        """Return whether the rule's short ``text`` at ``corner`` is still new to this driver."""
        said = self.progress(rule, corner).said
        return said < REHEARSED or (bool(self.turn(rule, corner)) and not self.heard(text))

    def heard(self, text: str) -> bool:
        """Return whether the driver has heard exactly this before."""
        return self.memory.heard.get(text, 0) > 0

    def choose_work(self, lap: int) -> tuple[int, ...]:
        """Choose the focus corners at the start of a lap."""
        self._opened.clear()
        self.work.begin(lap, {c: self._cost(c) for c in self.recent.corners if self._call(c)})
        return tuple(sorted(self.work.corners))

    def most_improved(self) -> int | None:
        """Return the corner that gained most since its first correction, among those with half gained."""
        gains = {c: was - self._all_cost(c) for c, was in self._told_cost.items()}
        better = [c for c, gain in gains.items() if gain >= BETTER * self._told_cost[c] > 0.0]
        return max(better, key=lambda c: (gains[c], -c), default=None)

    def next_up(self) -> tuple[CueRule, int] | None:
        """Return the correction with the largest expected gain, and its corner."""
        due = [c for c in self.recent.corners if self._call(c) and not self.work.rests(c)]
        if not due:
            return None
        corner = max(due, key=lambda c: (self._cost(c), -c))
        name = self._thing(corner)
        return next(rule for rule in self.rules.rules if rule.name == name), corner

    def _due(self, rule: CueRule, corner: int) -> bool:
        """Return whether the fault is found often enough; one pass is enough for a habit told of before: a relapse."""
        return self.recent.due(rule, corner, self._said(rule.name, corner))

    def _all_cost(self, corner: int) -> float:
        """Return the current cost of all corrections' faults there [s]."""
        rules = [r for r in self.rules.rules if r.family == "correction"]
        return self.recent.cost(corner, rules) if corner in self.recent.corners else 0.0

    def _call(self, corner: int) -> bool:
        """Return whether any correction is due at ``corner``."""
        if not self.recent.last(corner):
            return False
        return any(r.family == "correction" and self._due(r, corner) for r in self.rules.rules)

    def _cost(self, corner: int) -> float:
        """Return the expected gain of possible cues there [s]."""
        rules = [r for r in self.rules.rules if r.family == "correction"]
        due = [self._wording_key(r, corner) for r in rules if self._due(r, corner)]
        chance = max((self.responses.chance(key, "approach") for key in due), default=1.0)
        return self.recent.cost(corner, rules) * chance

    def state(self) -> DriverProgress:
        """Return the state for the next session, where laps restart."""
        kept = {key: msgspec.structs.replace(p, said_lap=-1000) for key, p in self.memory.progress.items()}
        return DriverProgress(kept, dict(self.memory.heard), dict(self.memory.responses))


def _key(rule: CueRule, corner: str) -> str:
    return f"{rule.name}@{corner}"
