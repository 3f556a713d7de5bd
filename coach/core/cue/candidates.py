"""Derives candidates from rules, corner and schedule, with reasons for held ones."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping

import msgspec

from coach.core.cue.arbiter import NEVER, Candidate
from coach.core.cue.limits import limit
from coach.core.cue.reasons import Reason
from coach.core.cue.recent_findings import shows
from coach.core.cue.rules import CueRule, RuleSet
from coach.core.cue.schedule import Schedule
from coach.core.cue.topics import opposes, topic
from coach.core.cue.wording import Wording, with_name, wordings
from coach.core.track.zones import Zone
from coach.core.values import Finding

CORNER_ACTIONS = frozenset({"apex", "kerb_apex", "apex_missed", "turn_in_early", "turn_in_late", "kerb_entry"})
EXIT_ACTIONS = frozenset(
    {"kerb_exit", "throttle_late", "throttle_soft", "exit_narrow", "exit_wide", "track_limit", "coasting"}
)


class RuleOutcome(msgspec.Struct, frozen=True):
    """A rule evaluated at a corner: the candidate, and the reason to hold it at once (NONE if it may speak)."""

    candidate: Candidate
    hold: Reason


class OpeningContext(msgspec.Struct, frozen=True):
    """Place and time of opening candidates; ``zone`` is the corner's zone in the current lap."""

    t_s: float
    lap: int
    corner: int
    zone: Zone
    quiet_m: float
    """Start of silence before this corner, or before its close group (then ``named``)."""
    next_quiet_m: float
    gradient: float
    spoken_this_lap: int
    named: bool = False
    zones: tuple[Zone, ...] = ()
    """All corners of a lap, for cues about other ones."""
    early_m: float = math.nan
    """How far before the profile's brake point the driver braked in this pass [m]; NaN if unknown."""
    slot: str = ""
    """"after" or "other straight" for cues without room before their own corner."""
    longest: bool = False
    """Whether the straight after the corner is the longest of the lap."""


def approach(rules: RuleSet, schedule: Schedule, at: OpeningContext) -> list[RuleOutcome]:
    """Return all possible cues before a corner; of several on one topic only the first may speak."""
    asked = [a for rule in rules.rules if rule.slot == "approach" for a in _ask(rule, rules, schedule, at, at.quiet_m)]
    faults = schedule.recent.faults(at.corner, rules.rules) | schedule.recent.usual(at.corner)
    faults |= schedule.reminded(at.corner)
    return one_a_topic(_unopposed(asked, faults))


def _unopposed(asked: list[RuleOutcome], faults: frozenset[str]) -> list[RuleOutcome]:
    """Hold the lower of two contradicting cues: a safety caution outranks a correction, which outranks others."""
    texts = [(a.candidate.rule.about, a.candidate.forms) for a in asked if a.candidate.safety]

    def opposed(one: RuleOutcome) -> bool:
        c = one.candidate
        if c.safety or c.rule.family == "confirmation":
            return False
        if c.rule.family == "correction":
            return any(opposes(c.rule.about, about, forms) for about, forms in texts)
        return any(opposes(fault, c.rule.about, c.forms) for fault in faults)

    return [RuleOutcome(a.candidate, Reason.OPPOSED) if not a.hold and opposed(a) else a for a in asked]


def after(rules: RuleSet, schedule: Schedule, at: OpeningContext) -> list[RuleOutcome]:
    """Return all possible cues after a corner's end, before the next one's silence.

    A cure is known at the end of the straight after its corner: the confirmation follows at the end of the next corner,
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
    rules: RuleSet,
    schedule: Schedule,
    at: OpeningContext,
    following: OpeningContext,
    owed: Mapping[int, Collection[str]],
    measured: Mapping[int, tuple[Finding, ...]],
) -> list[RuleOutcome]:
    """Return cues without room before their corner, ``owed`` (corner -> rules), to speak by name after a corner's end.

    A brake point is known at once, so cues about it may follow their own corner; others once the pass was ``measured``
    and shows the fault too. ``following`` is the same place, for the corners of the next lap.
    """
    asked: list[RuleOutcome] = []
    for corner, names in owed.items():
        here = corner == at.corner
        for rule in rules.rules:
            if rule.name not in names or not (_still(rule, at.early_m) if here else _shown(rule, measured.get(corner))):
                continue
            there = msgspec.structs.replace(
                following if corner <= at.corner else at,
                corner=corner,
                zone=at.zones[corner],
                named=True,
                slot="after" if here else "other straight",
            )
            asked += _ask(rule, rules, schedule, there, at.next_quiet_m)
    return one_a_topic(asked)


def _still(rule: CueRule, early_m: float) -> bool:
    """Return whether the brake point of this pass had the fault of ``rule``."""
    off = {"brake_early": early_m, "brake_late": -early_m}.get(rule.about, math.nan)
    return off >= rule.min_amount


def _shown(rule: CueRule, found: tuple[Finding, ...] | None) -> bool:
    """Return whether a pass was measured, and shows the fault of ``rule`` if that corrects one."""
    return found is not None and (rule.family != "correction" or shows(rule, found))


def one_a_topic(asked: list[RuleOutcome]) -> list[RuleOutcome]:
    """Keep only the first by rank of several cues on one topic at one corner, as they could contradict each other.

    Measured faults outrank constant reminders; then the arbiter's order applies.
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


def _ask(rule: CueRule, rules: RuleSet, schedule: Schedule, at: OpeningContext, quiet_m: float) -> list[RuleOutcome]:
    if rules.level not in rule.levels:
        return []
    corner = at.zone.corner
    amount = cost = math.nan
    if rule.family == "correction":
        _, finding = schedule.recent.seen(rule, at.corner)
        if finding is None:
            return []
        amount, cost = finding.amount, finding.cost_s
    hurts = rule.safety and any(c.safety and c.kind == rule.about for c in corner.cautions)
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
    rule: CueRule, rules: RuleSet, schedule: Schedule, at: OpeningContext, wording: Wording, quiet_m: float, cost: float
) -> Candidate | None:
    named = at.named
    moved = bool(at.slot)
    shorts = [f for f in (wording.short, *wording.alternatives) if f]
    short = shorts[schedule.turn(rule, at.corner) % len(shorts)] if shorts else ""
    new = schedule.is_new(rule, at.corner, with_name(short, wording.name, wording.language) if named else short)
    # speak a familiar text in short form; the long form only if there is no other
    forms = [f for f in ([wording.long, short] if new or not short else [short]) if f]
    told = schedule.progress(rule, at.corner).told
    if moved and wording.long and not (at.longest or told or schedule.waits_long(rule, at.corner)):
        # the first time state the whole way, on a longer straight
        forms = [wording.first or wording.long]
    if wording.first and not told:
        # with the whole amount, shorter forms where there is less room
        forms = list(dict.fromkeys([wording.first, *forms]))
    if at.slot == "after" and rule.family == "correction":
        forms = list(wording.after_it(forms))
    elif schedule.half_way(rule, at.corner):
        forms = [wording.half_way]
    elif wording.still and schedule.no_nearer(rule, at.corner):
        forms = [wording.still]
    elif named:
        with_names = list(wording.away(forms))
        # rather speak a safety cue without its corner than not at all
        forms = with_names or (forms if wording.safety else [])
    if not forms:
        return None
    # the driver may know a rule but not its new words: these need as long as a new cue
    new = new or not all(map(schedule.heard, forms))
    action = _action(rule, at, wording)
    safety = wording.safety
    # before another corner: keep silence there, the driver acts at the cue's corner
    grouped = named and rule.slot == "approach" and not safety and not moved
    own_quiet_m = at.zone.quiet_m if grouped else quiet_m
    return Candidate(
        rule=rule,
        corner=at.corner,
        lap=at.lap,
        forms=tuple(dict.fromkeys(forms)),
        deadline_m=action if safety else min(action, own_quiet_m),
        action_m=action,
        margin_s=rules.margin_new_s if new else rules.margin_rehearsed_s,
        loss_s=0.0 if math.isnan(cost) else cost,
        opened_s=at.t_s,
        new=new,
        safety=safety,
        end_by_m=quiet_m if grouped else NEVER,
        slot=at.slot or rule.slot,
    )


def _action(rule: CueRule, at: OpeningContext, wording: Wording) -> float:
    """Return the place [m driven] of the cue's action."""
    if rule.slot != "approach" or at.slot:
        return at.next_quiet_m
    zone = at.zone
    if math.isfinite(wording.at_m):
        # cautions are places along the reference; the zone determines the lap
        lap_shift = zone.apex_m - zone.corner.apex_m
        return wording.at_m + lap_shift
    if rule.about in EXIT_ACTIONS:
        return zone.apex_m
    if rule.about in CORNER_ACTIONS:
        return zone.turn_in_m
    return zone.quiet_m
