"""From rules, corner and schedule to candidates: what could be said here, and why most of it is not."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping

import msgspec

from coach.core.cue.arbiter import NEVER, Candidate
from coach.core.cue.limits import limit
from coach.core.cue.reasons import Reason
from coach.core.cue.rules import CueRule, RuleSet
from coach.core.cue.schedule import Schedule
from coach.core.cue.topics import opposes, topic
from coach.core.cue.wording import Wording, with_name, wordings
from coach.core.track.zones import Zone

CORNER_ACTIONS = frozenset({"apex", "kerb_apex", "apex_missed", "turn_in_early", "turn_in_late", "kerb_entry"})
EXIT_ACTIONS = frozenset(
    {"kerb_exit", "throttle_late", "throttle_soft", "exit_narrow", "exit_wide", "track_limit", "coasting"}
)


class RuleOutcome(msgspec.Struct, frozen=True):
    """A rule that was asked at a corner: the candidate, and why it is held back at once (NONE when it may speak)."""

    candidate: Candidate
    hold: Reason


class Moment(msgspec.Struct, frozen=True):
    """Where and when candidates are opened; ``zone`` is the corner's zone in the lap driven."""

    t_s: float
    lap: int
    corner: int
    zone: Zone
    quiet_m: float
    """Where it gets quiet before this corner, or before the group it follows closely in (then ``named``)."""
    next_quiet_m: float
    gradient: float
    spoken_this_lap: int
    named: bool = False
    zones: tuple[Zone, ...] = ()
    """All corners of a lap, for a word about another one."""
    early_m: float = math.nan
    """How much before the profile's brake point the driver pressed the brake in this pass [m]; NaN: not known."""
    slot: str = ""
    """"after" or "other straight" for what found no room before its own corner."""
    longest: bool = False
    """Whether the straight after the corner is the longest of the lap."""


def approach(rules: RuleSet, schedule: Schedule, at: Moment) -> list[RuleOutcome]:
    """Return the everything that could be said before a corner; of several on one topic only the first may speak."""
    asked = [a for rule in rules.rules if rule.slot == "approach" for a in _ask(rule, rules, schedule, at, at.quiet_m)]
    faults = schedule.recent.faults(at.corner, rules.rules)
    return one_a_topic(_unopposed(asked, faults))


def _unopposed(asked: list[RuleOutcome], faults: frozenset[str]) -> list[RuleOutcome]:
    """Return two that pull to opposite sides are never both said: a safety caution outranks a correction, that the
    rest.
    """
    texts = [(a.candidate.rule.about, a.candidate.forms) for a in asked if a.candidate.safety]

    def opposed(one: RuleOutcome) -> bool:
        c = one.candidate
        if c.safety or c.rule.family == "confirmation":
            return False
        if c.rule.family == "correction":
            return any(opposes(c.rule.about, about, forms) for about, forms in texts)
        return any(opposes(fault, c.rule.about, c.forms) for fault in faults)

    return [RuleOutcome(a.candidate, Reason.OPPOSED) if not a.hold and opposed(a) else a for a in asked]


def after(rules: RuleSet, schedule: Schedule, at: Moment) -> list[RuleOutcome]:
    """Return the everything that could be said after a corner's end, before the next one gets quiet.

    What was cured is known when the straight after that corner is over: it is confirmed at the end of the next one,
    by name.
    """
    asked: list[RuleOutcome] = []
    for rule in rules.rules:
        if rule.family == "confirmation":
            for corner in schedule.cured(rule):
                there = msgspec.structs.replace(at, corner=corner, zone=at.zones[corner], named=True)
                asked += _ask(rule, rules, schedule, there, at.next_quiet_m)
        elif rule.slot != "approach":
            asked += _ask(rule, rules, schedule, at, at.next_quiet_m)
    return one_a_topic(asked)


def elsewhere(
    rules: RuleSet, schedule: Schedule, at: Moment, owed: Mapping[int, Collection[str]], measured: Collection[int]
) -> list[RuleOutcome]:
    """What found no room before its corner, ``owed`` (corner -> rules), said after a corner's end by name.

    A brake point is seen at once, so what is about it may be said right after its own corner; the rest when the pass
    was ``measured``.
    """
    asked: list[RuleOutcome] = []
    for corner, names in owed.items():
        here = corner == at.corner
        for rule in rules.rules:
            if rule.name not in names or not (_still(rule, at.early_m) if here else corner in measured):
                continue
            lap = at.lap + (corner <= at.corner)
            there = msgspec.structs.replace(
                at,
                corner=corner,
                zone=at.zones[corner],
                named=True,
                lap=lap,
                slot="after" if here else "other straight",
            )
            asked += _ask(rule, rules, schedule, there, at.next_quiet_m)
    return one_a_topic(asked)


def _still(rule: CueRule, early_m: float) -> bool:
    """Return whether the brake was pressed as wrongly in this pass as ``rule`` says."""
    off = {"brake_early": early_m, "brake_late": -early_m}.get(rule.about, math.nan)
    return off >= rule.min_amount


def one_a_topic(asked: list[RuleOutcome]) -> list[RuleOutcome]:
    """Return cues on one topic at one corner could contradict each other: the first by rank stays, the others are
    beaten.

    What was measured outranks what is always so, then the order of the arbiter holds.
    """
    first: dict[tuple[int, str], RuleOutcome] = {}
    for one in sorted((a for a in asked if not a.hold and not a.candidate.safety), key=_rank):
        first.setdefault((one.candidate.corner, topic(one.candidate.rule, one.candidate.forms[-1])), one)
    kept = {id(a) for a in first.values()}
    return [
        a if a.hold or a.candidate.safety or id(a) in kept else RuleOutcome(a.candidate, Reason.BEATEN) for a in asked
    ]


def _rank(one: RuleOutcome) -> tuple[bool, int, float, str, tuple[str, ...]]:
    c = one.candidate
    return (c.rule.family != "correction", -c.rule.priority, -c.loss_s, c.rule.name, c.forms)


def _ask(rule: CueRule, rules: RuleSet, schedule: Schedule, at: Moment, quiet_m: float) -> list[RuleOutcome]:
    if rules.level not in rule.levels:
        return []
    corner = at.zone.corner
    amount = cost = math.nan
    if rule.family == "correction":
        _, finding = schedule.recent.seen(rule, at.corner)
        if finding is None:
            return []
        amount, cost = finding.amount, finding.cost_s
    hurts = any(c.safety and c.kind == rule.about for c in corner.cautions)
    hold = schedule.hold(rule, at.corner, at.lap, at.spoken_this_lap, hurts)
    if rule.name in corner.muted or rule.about in corner.muted:
        hold = Reason.MUTED
        if rule.family == "confirmation":
            schedule.leave_unsaid(rule, at.corner)
    asked = []
    for wording in wordings(
        rule, corner, amount=amount, cost_s=cost, gradient=at.gradient, language=rules.language, system=rules.units
    ):
        candidate = _candidate(rule, rules, schedule, at, wording, quiet_m, cost)
        if candidate is not None:
            asked.append(RuleOutcome(candidate, hold or limit(rule, corner, amount, wording.board_m(candidate.forms))))
    return asked


def _candidate(
    rule: CueRule, rules: RuleSet, schedule: Schedule, at: Moment, wording: Wording, quiet_m: float, cost: float
) -> Candidate | None:
    named = at.named
    moved = bool(at.slot)
    shorts = [f for f in (wording.short, *wording.alternatives) if f]
    short = shorts[schedule.turn(rule, at.corner) % len(shorts)] if shorts else ""
    new = schedule.is_new(rule, at.corner, with_name(short, wording.name, wording.language) if named else short)
    # a rehearsed text is said short; the long form only where there is no other
    forms = [f for f in ([wording.long, short] if new or not short else [short]) if f]
    if moved and wording.long and not at.longest and schedule.progress(rule, at.corner).told == 0:
        # the first time the size of it is told: there is room for that on a longer straight
        forms = [wording.long]
    if wording.first and not schedule.progress(rule, at.corner).told:
        # with the size of the whole way, the shorter ones where there is less room
        forms = list(dict.fromkeys([wording.first, *forms]))
    if at.slot == "after" and rule.family == "correction":
        forms = list(wording.after_it(forms))
    elif schedule.half_way(rule, at.corner):
        forms = [wording.half_way]
    elif named:
        with_names = list(wording.away(forms))
        # what can hurt is rather said without its corner than not at all
        forms = with_names or (forms if wording.safety else [])
    if not forms:
        return None
    # a rule may be known and its words not yet, where others were said until now: they need as long as what is new
    new = new or not all(map(schedule.heard, forms))
    action = _action(rule, at, wording)
    safety = wording.safety
    # before another corner: quiet is kept there, the driver acts at his own corner
    grouped = named and rule.slot == "approach" and not safety and not moved
    own_quiet_m = at.zone.quiet_m if grouped else quiet_m
    return Candidate(
        rule=rule,
        corner=at.corner,
        lap=at.lap,
        forms=tuple(dict.fromkeys(forms)),
        over_m=action if safety else min(action, own_quiet_m),
        action_m=action,
        margin_s=rules.margin_new_s if new else rules.margin_rehearsed_s,
        loss_s=0.0 if math.isnan(cost) else cost,
        opened_s=at.t_s,
        new=new,
        safety=safety,
        clear_m=quiet_m if grouped else NEVER,
        slot=at.slot or rule.slot,
    )


def _action(rule: CueRule, at: Moment, wording: Wording) -> float:
    """Return the place [m driven] of what the cue is about."""
    if rule.slot != "approach" or at.slot:
        return at.next_quiet_m
    zone = at.zone
    if math.isfinite(wording.at_m):
        # cautions are given as places along the reference; the zone tells which lap
        lap_shift = zone.apex_m - zone.corner.apex_m
        return wording.at_m + lap_shift
    if rule.about in EXIT_ACTIONS:
        return zone.apex_m
    if rule.about in CORNER_ACTIONS:
        return zone.turn_in_m
    return zone.quiet_m
