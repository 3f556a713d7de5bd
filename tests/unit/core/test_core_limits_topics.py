"""No advice past a limit of the profile; no two cues that contradict each other at one corner."""

from __future__ import annotations

import math

import pytest
from core_setup import corner, finding, pipeline, rule, session
from hypothesis import given
from hypothesis import strategies as st

from coach.core.cue.candidates import OpeningContext, approach
from coach.core.cue.language import ENGLISH
from coach.core.cue.limits import limit
from coach.core.cue.recent_findings import Recent
from coach.core.cue.rules import FAULTS, RuleSet
from coach.core.cue.schedule import Schedule
from coach.core.cue.topics import topic
from coach.core.cue.wording import wordings
from coach.core.diagnose.advice import ADVICE_STEP_M
from coach.core.track.zones import zones
from coach.core.values import Corner
from coach.profile.rule_files import load_rules


def moment(at: Corner) -> OpeningContext:
    """The approach of the only corner of a lap."""
    (zone,) = zones((at,), 2000.0, True)
    return OpeningContext(0.0, 1, 0, zone, zone.quiet_m, zone.quiet_m + 2000.0, -0.05, 0, False, (zone,))


@given(st.floats(0.0, 60.0), st.floats(-40.0, 40.0))
def test_brake_later_never_leads_past_the_latest_brake_point(amount: float, room: float) -> None:
    """A car that brakes ``amount`` early and moves its point by the step that is told stays before the limit."""
    at = corner(latest_brake_m=400.0 + room)
    allowed = limit(rule("later"), at, amount) == ""
    reached = at.brake_m - amount + min(amount, ADVICE_STEP_M)
    assert allowed == (reached <= at.latest_brake_m)


@given(st.floats(0.5, 200.0))
def test_a_step_is_at_most_five_metres(amount: float) -> None:
    """Whatever was measured, "brake N metres later" never says more than five."""
    long = rule("later", long="{metres} metres later", short="later")
    (wording,) = wordings(long, corner(), amount=amount)
    said = wording.long.removesuffix(" metres later")
    assert {v: k for k, v in ENGLISH.numbers}[said] <= ADVICE_STEP_M


@given(st.floats(0.5, 200.0))
def test_the_first_cue_tells_the_way_and_asks_for_a_step(amount: float) -> None:
    """The way is what was measured, rounded down; with less than two steps of it the long form is said."""
    early = rule("later", long="{metres} metres later", short="later", first=("{metres} of {way} metres later",))
    (wording,) = wordings(early, corner(), amount=amount)
    if amount < 10.0:
        assert "" == wording.first
    else:
        step, way = wording.first.removesuffix(" metres later").split(" of ")
        metres = {v: k for k, v in ENGLISH.numbers}
        assert metres[step] <= ADVICE_STEP_M < metres[way] <= amount


def test_the_first_cue_names_the_board_only_where_the_profile_brakes_at_it() -> None:
    """Steps lead to a board; where the brake point is before or after one, the board is not named."""
    first = ("{corner}, {metres} of {way} metres later, {goal}", "{corner}, brake {metres} of {way} metres later")
    early = rule("later", long="{metres} metres later", short="later", first=first)
    at = [wordings(early, corner(brake_m=place), amount=16.0)[0].first for place in (400.0, 385.0, 430.0)]
    assert "A, five of fifteen metres later, to the hundred" == at[0]
    assert 2 * ["A, brake five of fifteen metres later"] == at[1:]


def test_a_board_behind_the_limit_is_not_named() -> None:
    """ "Brake at the hundred" is held when the profile says to brake before it; the gear is still told."""
    board = rule("board", "reminder", "brake_board", long="brake at {board}", short="brake at {board}")
    gear = rule("gear", "reminder", "gear", long="{gear} gear", short="{gear} gear")
    rules = RuleSet("t", "improving", (board, gear))
    for latest, expected in ((math.nan, ""), (400.0, ""), (399.0, "limit of the profile")):
        asked = approach(rules, Schedule(rules, ("A",)), moment(corner(latest_brake_m=latest)))
        assert [expected, ""] == [a.hold for a in asked]


def test_the_exit_is_not_widened_past_its_limit() -> None:
    """With no room outside the reference line nobody is told to use more of the exit."""
    r = rule("more exit", about="exit_narrow")
    assert ["limit of the profile", "", ""] == [
        limit(r, corner(widest_exit_offset_m=w), 2.0) for w in (0.0, 1.0, math.nan)
    ]


@pytest.mark.parametrize("set_name", ["first_laps", "improving"])
def test_one_cue_a_topic(set_name: str) -> None:
    """With every fault found at once, at most one cue on a topic may speak; what was measured outranks what is
    always so ("brake later" holds "brake at the hundred" back as beaten)."""
    shipped = load_rules(set_name)
    more = (rule("board", "reminder", "brake_board", long="brake at {board}", short="brake at {board}", priority=99),)
    rules = RuleSet("t", shipped.level, (*shipped.rules, *more), corners_in_work=9)
    s = Schedule(rules, ("A",))
    for _ in range(3):
        s.passed(0, tuple(finding(fault, 20.0, 0.3) for fault in FAULTS))
    s.choose_work(1)
    at = corner(words=("downhill, brake earlier",), kerb_exit="use", kerb_apex="use")
    asked = approach(rules, s, moment(at))
    free = [a.candidate for a in asked if not a.hold and not a.candidate.safety]
    topics = [topic(c.rule, c.forms[-1]) for c in free]
    assert len(topics) == len(set(topics))
    assert free
    if set_name == "improving":
        held = {a.candidate.rule.name: a.hold for a in asked}
        assert "another cue came first" == held["board"]
        assert "" in (held["brake_early"], held["brake_late"])


def test_the_order_of_rules_in_a_file_changes_nothing() -> None:
    """A whole session with the rules reversed gives the same spoken cues, and the same held ones."""
    mixed = RuleSet("m", "improving", (*load_rules("improving").rules, *load_rules("first_laps").rules[6:]), 20, 4)
    turned = RuleSet("m", "improving", tuple(reversed(mixed.rules)), 20, 4)
    logs = []
    for rules in (mixed, turned):
        p = pipeline(rules)
        happened = p.push_columns(session(2))
        logs.append(sorted((d.t_s, d.corner, d.rule, d.outcome, d.reason, d.text) for d in happened.decisions))
    assert logs[0] == logs[1]
    assert any(line[3] == "spoken" for line in logs[0])


def test_words_that_were_never_heard_need_as_long_as_what_is_new() -> None:
    """A rule may be known by its other wordings: the first time of each text ends 1.25 s ahead, then 0.75 s."""
    r = rule("later", short="brake later")
    rules = RuleSet("t", "improving", (r,))
    s = Schedule(rules, ("A",))
    s.passed(0, (finding("brake_early", amount=12.0, cost_s=0.3),))
    s.choose_work(1)
    for text, expected in (("deeper", 1.25), ("deeper", 1.25), ("brake later", 1.25), ("brake later", 0.75)):
        ((asked),) = approach(rules, s, moment(corner()))
        assert expected == asked.candidate.margin_s
        s.spoke(r, 0, 1, text)
    ((asked),) = approach(rules, s, moment(corner()))
    assert (0.75, ("brake later",)) == (asked.candidate.margin_s, asked.candidate.forms)


@pytest.mark.parametrize(("words", "held"), [("downhill, brake earlier", True), ("second gear", False)])
def test_words_of_the_profile_never_contradict_a_board_that_was_said(words: str, held: bool) -> None:
    """The board after the hundred and then "brake earlier" pull to and fro, whatever the passes show."""
    board, own = (
        rule("board", "reminder", "brake_board"),
        rule("own", "reminder", "words", long="{words}", short="{words}"),
    )
    rules = RuleSet("t", "learning", (board, own))
    s = Schedule(rules, ("A",))
    s.passed(0, (finding("brake_early"),))
    s.choose_work(1)
    s.spoke(board, 0, 1, "brake after the hundred")
    (asked,) = [a for a in approach(rules, s, moment(corner(words=(words,)))) if a.candidate.rule is own]
    assert (asked.hold == "opposes another cue") is held


def test_two_passes_with_a_fault_are_remembered_beyond_the_last_three() -> None:
    """One good pass does not make a reminder to the other side right."""
    recent = Recent()
    for fault in ("brake_early", "brake_early", "", "", "throttle_late"):
        recent.add(0, (finding(fault),) if fault else ())
    assert {"brake_early"} == recent.usual(0)
