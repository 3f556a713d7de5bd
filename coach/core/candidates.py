"""From rules, corner and schedule to candidates: what could be said here, and why most of it is not."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from coach.core.arbiter import Candidate
from coach.core.rules import CueRule, RuleSet
from coach.core.schedule import Schedule
from coach.core.wording import Wording, wordings
from coach.core.zones import Zone

CORNER_ACTIONS = frozenset({"apex", "kerb_apex", "apex_missed", "turn_in_early", "turn_in_late", "kerb_entry"})
EXIT_ACTIONS = frozenset(
    {"kerb_exit", "throttle_late", "throttle_soft", "exit_narrow", "exit_wide", "track_limit", "coasting"}
)


@dataclass(frozen=True)
class Asked:
    """A rule that was asked at a corner: the candidate, and why it is held back at once ("" when it may speak)."""

    candidate: Candidate
    hold: str


@dataclass(frozen=True)
class Moment:
    """Where and when candidates are opened; ``zone`` is the corner's zone in the lap driven."""

    t_s: float
    lap: int
    corner: int
    zone: Zone
    quiet_m: float
    """Where it gets quiet: the driver's own brake point where that is before the profile's."""
    next_quiet_m: float
    gradient: float
    spoken_this_lap: int


def approach(rules: RuleSet, schedule: Schedule, at: Moment) -> Iterator[Asked]:
    """Everything that could be said before a corner."""
    for rule in rules.rules:
        if rule.slot == "approach":
            yield from _ask(rule, rules, schedule, at, at.quiet_m)


def after(rules: RuleSet, schedule: Schedule, at: Moment) -> Iterator[Asked]:
    """Everything that could be said after a corner's end, before the next one gets quiet."""
    for rule in rules.rules:
        if rule.slot != "approach":
            yield from _ask(rule, rules, schedule, at, at.next_quiet_m)


def _ask(rule: CueRule, rules: RuleSet, schedule: Schedule, at: Moment, quiet_m: float) -> Iterator[Asked]:
    if rules.level not in rule.levels:
        return
    corner = at.zone.corner
    amount = cost = math.nan
    if rule.family == "correction":
        times, finding = schedule.seen(rule, at.corner)
        if finding is None:
            return
        amount, cost = finding.amount, finding.cost_s
        del times
    hold = schedule.hold(rule, at.corner, at.lap, at.spoken_this_lap)
    if rule.family == "confirmation" and hold:
        # nothing was cured: there is nothing to confirm, and nothing to tell about it
        return
    if {rule.name, rule.about} & corner.muted:
        hold = "muted"
    for wording in wordings(rule, corner, amount=amount, cost_s=cost, gradient=at.gradient):
        yield Asked(_candidate(rule, rules, schedule, at, wording, quiet_m, cost), hold or _limit(rule, at, amount))


def _limit(rule: CueRule, at: Moment, amount: float) -> str:
    """Advice that would cross a limit of the profile is never given."""
    corner = at.zone.corner
    if rule.about == "brake_early" and corner.latest_brake_m == corner.latest_brake_m:
        room = corner.latest_brake_m - corner.brake_m
        if room < 0.0 and amount < -room:
            return "limit"
    if rule.about == "exit_narrow" and corner.widest_exit_offset_m == corner.widest_exit_offset_m:
        return "limit" if corner.widest_exit_offset_m <= 0.0 else ""
    return ""


def _candidate(
    rule: CueRule, rules: RuleSet, schedule: Schedule, at: Moment, wording: Wording, quiet_m: float, cost: float
) -> Candidate:
    new = schedule.is_new(rule, at.corner)
    long_first = [wording.long, wording.short] if new else [wording.short, wording.long]
    forms = [f for f in long_first if f]
    # a rehearsed text is said short; the long form only where there is no other
    forms = forms if new else forms[:1]
    action = _action(rule, at, wording)
    safety = wording.safety
    return Candidate(
        rule,
        at.corner,
        at.lap,
        tuple(dict.fromkeys(forms)),
        action if safety else min(action, quiet_m),
        action,
        rules.margin_new_s if new else rules.margin_rehearsed_s,
        0.0 if math.isnan(cost) else cost,
        at.t_s,
        new,
        safety,
    )


def _action(rule: CueRule, at: Moment, wording: Wording) -> float:
    """The place [m driven] of what the cue is about."""
    if rule.slot != "approach":
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
