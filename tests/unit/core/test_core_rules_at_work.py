"""Every shipped rule speaks when it should and is held back when it should, with made-up findings."""

from __future__ import annotations

from functools import partial

import msgspec
import pytest
from core_setup import corner, finding

from coach.core.cue.candidates import OpeningContext
from coach.core.cue.cue_engine import CueEngine
from coach.core.cue.rules import CueRule, RuleSet
from coach.core.track.zones import zones
from coach.core.values import Caution, Decision
from coach.profile.rule_files import load_rules, rule_paths

LENGTH_M = 2000.0
CASES = [(name, r.name) for name in sorted(rule_paths()) for r in load_rules(name).rules]


def everything(r: CueRule) -> tuple[CueEngine, OpeningContext]:
    """A corner about which every rule has something to say, with only ``r`` in the set."""
    at = corner(
        "A", 1000.0, say="bend", kerb_entry="touch", kerb_apex="use", kerb_exit="avoid", words=("keep it tidy",),
        cautions=tuple(
            Caution(kind, 1000.0, "careful there", safety=True)
            for kind in ("bump", "crest", "track_limit", "kerb", "surface", "other")
        ),
    )  # fmt: skip
    (zone,) = zones((at,), LENGTH_M, True)
    others = [x for x in load_rules("improving").rules if x.family == "correction" and x.about == r.about]
    rules = RuleSet("one", "learning", (r, *(others if r.family == "confirmation" else ())), cure_passes=1, luck=1.0)
    levels = RuleSet("one", sorted(r.levels)[0], rules.rules, cure_passes=1, luck=1.0)  # type: ignore[arg-type]
    talker = CueEngine(levels, ("A",), {})
    return talker, OpeningContext(0.0, 4, 0, zone, zone.quiet_m, zone.quiet_m + LENGTH_M, -0.05, 0, False, (zone,))


def _reach(now: float, place: float, to: float) -> float:
    return now + (to - place) / 50.0


def drive(talker: CueEngine, at: OpeningContext, r: CueRule) -> list[Decision]:
    """From 600 m before the corner (or from its end) to where it gets quiet."""
    begin = at.zone.end_m if r.slot != "approach" else at.quiet_m - 600.0
    opened = talker.open_after(at, begin) if r.slot != "approach" else talker.open_approach(at, begin)
    out = list(opened)
    for i in range(2000):
        place = begin + i
        now = i / 50.0
        if now >= talker.wake_s:
            out += talker.consider(now, place, partial(_reach, now, place), True)
        if not talker.arbiter.open:
            break
    return out


@pytest.mark.parametrize(("set_name", "name"), CASES)
def test_the_rule_speaks_in_time_and_is_held_when_there_is_nothing_to_say(set_name: str, name: str) -> None:
    """With its fault found (or its note in the profile) it speaks once, ending its margin before its action; muted
    at the corner it is held; a correction or confirmation without its fault says nothing."""
    r = next(x for x in load_rules(set_name).rules if x.name == name)
    talker, at = everything(r)
    if r.family in ("correction", "confirmation"):
        assert [] == drive(talker, msgspec.structs.replace(at, lap=3), r)
        for _ in range(3):
            talker.passed(0, (finding(r.about, 30.0, 0.3),))
        talker.new_lap(4)
    if r.family == "confirmation":
        told = next(x for x in talker.rules.rules if x.family == "correction")
        talker.schedule.spoke(told, 0, 3, told.short)
        talker.passed(0, ())
    said = [d for d in drive(talker, at, r) if d.rule == name and d.outcome == "spoken"]
    assert 1 == len(said)
    if r.family != "confirmation":
        assert said[0].ends_t_s <= said[0].action_t_s - 1.25
    muted = everything(r)[1].zone.corner
    talker, at = everything(r)
    zone = type(at.zone)(msgspec.structs.replace(muted, muted=frozenset({name})), *_places(at))
    at = OpeningContext(0.0, 4, 0, zone, at.quiet_m, at.next_quiet_m, -0.05, 0, False, (zone,))
    for _ in range(3):
        talker.passed(0, (finding(r.about, 30.0, 0.3),))
    talker.new_lap(4)
    if r.family == "confirmation":
        told = next(x for x in talker.rules.rules if x.family == "correction")
        talker.schedule.spoke(told, 0, 3, told.short)
        talker.passed(0, ())
    held = [d for d in drive(talker, at, r) if d.rule == name]
    assert {"muted"} == {d.reason for d in held}


def _places(at: OpeningContext) -> list[float]:
    z = at.zone
    return [z.start_m, z.brake_m, z.turn_in_m, z.apex_m, z.exit_m, z.end_m, z.next_start_m, z.quiet_m]
