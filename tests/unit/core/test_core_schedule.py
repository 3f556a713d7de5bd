"""Teaching, fading, retiring, re-arming; corners in work; line before speed; what is kept across sessions."""

from __future__ import annotations

import math

import msgspec
import pytest
from core_setup import finding, rule

from coach.core.cue.corner_rotation import FocusCorners
from coach.core.cue.memory import DriverProgress
from coach.core.cue.reasons import Reason
from coach.core.cue.recent_findings import Recent
from coach.core.cue.rules import CueRule, RuleSet
from coach.core.cue.schedule import SETTLED_CUES, SETTLED_LAPS, Schedule
from coach.core.values import Finding
from coach.profile.rule_files import load_rules

NAMES = ("A", "B", "C", "D")
BAD = (finding("brake_early"),)


def schedule(*rules: CueRule, memory: DriverProgress | None = None, **settings: object) -> Schedule:
    """A schedule over four corners."""
    fields = {"level": "improving", "corners_in_work": 2, "cues_per_lap": 30, **settings}
    return Schedule(RuleSet("test", rules=rules, **fields), NAMES, memory)  # type: ignore[arg-type]


def laps(s: Schedule, r: CueRule, results: list[bool], corner: int = 0, first: int = 1) -> list[str]:
    """Drive laps; before each the rule is asked and speaks when due; afterwards the pass is good (True) or bad."""
    out = []
    for lap, good in enumerate(results, start=first):
        s.choose_work(lap)
        reason = s.hold(r, corner, lap, 0)
        out.append(reason or "spoken")
        if not reason:
            s.spoke(r, corner, lap, r.short)
        s.passed(corner, () if good else BAD)
    return out


def test_a_reminder_fades_alternates_and_retires() -> None:
    """Each lap until three passes inside the band; then every other lap; then only outside it; retired after five
    silent good passes (Winstein & Schmidt 1990; Park, Shea & Wright 2000; Cruz et al. 2018)."""
    r = rule("board", "reminder", "brake_board")
    said = laps(schedule(r), r, [True] * 14)
    assert ["spoken"] * 3 == said[:3]
    assert ["known by now", "spoken", "known by now"] == said[3:6]
    assert {"within tolerance"} == set(said[6:11])
    assert {"known by now"} == set(said[11:])


def test_two_bad_passes_bring_it_back() -> None:
    """A retired reminder is re-armed by two bad passes in a row, not by one."""
    r = rule("board", "reminder", "brake_board")
    s = schedule(r)
    laps(s, r, [True] * 12)
    assert "retired" == s.progress(r, 0).stage
    assert ["known by now", "known by now", "known by now"] == laps(s, r, [False, True, True], first=13)
    assert ["known by now", "known by now", "spoken"] == laps(s, r, [False, False, True], first=16)


def test_a_reminder_that_does_not_help_fades_too() -> None:
    """Said three times a reminder is known: every other lap, later every fourth, whatever is driven."""
    r = rule("board", "reminder", "brake_board")
    said = laps(schedule(r), r, [False] * 24)
    assert [1, 2, 3, 5, 7, 9, 13, 17, 21] == [lap for lap, what in enumerate(said, start=1) if what == "spoken"]


def test_a_safety_caution_never_retires() -> None:
    """Said once, then every fifth lap for ever, however well the corner is driven; another caution falls silent."""
    for hurts, later in ((True, [6, 11, 16, 21]), (False, [])):
        r = rule("bump", "caution", "bump", safety=True)
        s = schedule(r)
        said = []
        for lap in range(1, 25):
            if not s.hold(r, 0, lap, 0, hurts):
                s.spoke(r, 0, lap, r.short)
                said.append(lap)
            s.passed(0, BAD)
        assert [1, *later] == said


def test_an_off_brings_a_caution_back_at_once() -> None:
    """The car left the road there: what is cautioned of there is said in the next lap, also what was known."""
    r = rule("limits", "caution", "track_limit")
    s = schedule(r)
    assert ["spoken", "known by now", "known by now", "known by now"] == laps(s, r, [True] * 4)
    s.went_off(0)
    assert ["spoken", "known by now"] == laps(s, r, [True, True], first=5)


def test_a_mistake_there_brings_a_track_limit_caution_back() -> None:
    """A wide exit shows that the caution is needed; a fault on the brakes does not."""
    r = rule("limits", "caution", "track_limit")
    for fault, expected in (("exit_wide", ""), ("brake_early", "known by now")):
        s = schedule(r)
        laps(s, r, [True] * 6)
        s.passed(0, (finding(fault),))
        assert expected == s.hold(r, 0, 8, 0)


def test_one_thing_at_a_corner_is_said_until_another_is_worth_more() -> None:
    """Of two faults the one that costs more is worked on; what keeps the car on the road comes before both."""
    a, b = rule("later"), rule("power", about="throttle_late")
    safe = rule("earlier", about="brake_late", priority=88)
    s = schedule(a, b, safe)
    both = (finding("brake_early", cost_s=0.2), finding("throttle_late", cost_s=0.3))
    s.passed(0, both)
    s.choose_work(1)
    assert ("another fault first", "") == (s.hold(a, 0, 1, 0), s.hold(b, 0, 1, 0))
    s.passed(0, (finding("brake_early", cost_s=0.35), finding("throttle_late", cost_s=0.3)))
    assert "" == s.hold(b, 0, 2, 0)
    s.passed(0, (*both, finding("brake_late", cost_s=0.01)))
    assert ("another fault first", "") == (s.hold(b, 0, 3, 0), s.hold(safe, 0, 3, 0))


def test_half_way_is_acknowledged_once() -> None:
    """From 20 m to 10 m is half way; said once, not again."""
    r = rule("later")
    s = schedule(r)
    for _ in range(3):
        s.passed(0, (finding(amount=20.0),))
    s.choose_work(1)
    s.spoke(r, 0, 1, "later")
    assert not s.half_way(r, 0)
    for _ in range(3):
        s.passed(0, (finding(amount=10.0),))
    assert s.half_way(r, 0)
    s.spoke(r, 0, 3, "half way, again")
    assert not s.half_way(r, 0)


def test_what_fails_with_this_driver_is_expected_to_gain_less() -> None:
    """Beta-Bernoulli: from the prior one half, five cues without a response leave the chance below a fifth."""
    r = rule("later")
    s = schedule(r)
    s.passed(0, BAD)
    before = s.gain(r, 0)
    for lap in range(1, 6):
        s.spoke(r, 0, lap, "later")
        s.passed(0, BAD)
    assert s.gain(r, 0) < 0.4 * before
    assert s.responses.chance("another rule", "another slot") < 0.5


def test_a_correction_needs_the_fault_often_and_in_the_last_pass() -> None:
    """Two of the last three passes, the last one among them: a fault just fixed is not named."""
    r = rule("later", seen=2, of_last=3, min_amount=5.0, min_cost_s=0.03)
    cheap = (finding(cost_s=0.04),)
    for results, due in (
        ([False], False), ([False, False], True), ([False, True, False], True), ([False, False, True], False),
        ([True, True, False], False),
    ):  # fmt: skip
        s = schedule(r)
        for good in results:
            s.passed(0, () if good else cheap)
        s.choose_work(1)
        assert due == (s.hold(r, 0, 1, 0) == ""), results


def test_one_pass_is_enough_for_a_relapse() -> None:
    """A habit told of before is named again at its first return; at another corner it must be found twice first."""
    r = rule("later", seen=2, of_last=3)
    s = schedule(r)
    for corner in (0, 0, 1):
        s.passed(corner, BAD)
    s.choose_work(1)
    assert ["", "within tolerance"] == [s.hold(r, corner, 1, 0) for corner in (0, 1)]
    s.spoke(r, 0, 1, "brake later")
    for _ in range(3):
        s.passed(0, ())
    s.passed(0, BAD)
    s.choose_work(5)
    assert ["", "within tolerance"] == [s.hold(r, corner, 5, 0) for corner in (0, 1)]


def test_a_correction_comes_every_other_lap() -> None:
    """A lap without the cue makes the driver recall it (Park, Shea & Wright 2000)."""
    r = rule("later")
    s = schedule(r)
    s.passed(0, BAD)
    assert ["spoken", "known by now", "spoken", "known by now"] == laps(s, r, [False] * 4)


@pytest.mark.parametrize("small", [finding(amount=4.0), finding(cost_s=0.04), finding("brake_late")])
def test_a_finding_below_the_threshold_is_none(small: object) -> None:
    """Too small an amount, too low a cost or another fault do not count."""
    r = rule("later", min_amount=5.0, min_cost_s=0.05)
    s = schedule(r)
    s.passed(0, (small,))  # type: ignore[arg-type]
    s.choose_work(2)
    assert "within tolerance" == s.hold(r, 0, 2, 0)


def test_two_corners_in_work_by_cost() -> None:
    """The two that cost most are worked on first, in the next lap the others, and what is right is left alone."""
    r = rule("later")
    s = schedule(r)
    for corner, cost in ((1, 0.4), (3, 0.3), (0, 0.1), (2, 0.2)):
        s.passed(corner, (finding(cost_s=cost),))
    assert (1, 3) == s.choose_work(1)
    assert ["another corner first", "", "another corner first", ""] == [s.hold(r, c, 1, 0) for c in range(4)]
    for corner in (1, 3):
        s.work.told(corner, 0.3)
    assert (0, 2) == s.choose_work(2)
    for corner in (0, 2):
        s.work.told(corner, 0.1)
    s.passed(1, ())
    assert (2, 3) == s.choose_work(3)
    for corner in (2, 3):
        s.passed(corner, ())
    assert (0,) == s.choose_work(4)


def test_who_found_no_room_keeps_the_turn_beside_the_others() -> None:
    """A costly corner that nothing was said about is not put off for the next ones: they join it."""
    work = FocusCorners(1)
    work.begin(1, {0: 0.5, 1: 0.4})
    assert {0} == work.corners
    work.begin(2, {0: 0.5, 1: 0.4})
    assert {0, 1} == work.corners
    work.told(0, 0.5)
    work.told(1, 0.4)
    work.begin(3, {0: 0.5, 1: 0.4})
    assert {0} == work.corners


def test_after_two_laps_without_room_fewer_words_will_do() -> None:
    """Until then the first correction is kept for where its size fits; once said, it counts again from none."""
    r = rule("later")
    s = schedule(r)
    s.passed(0, (finding(cost_s=0.3),))
    for lap, waits in ((1, False), (1, False), (2, True)):
        s.found_no_room(r, 0, lap)
        assert s.waits_long(r, 0) is waits
    s.spoke(r, 0, 3, "brake later")
    assert not s.waits_long(r, 0)


def test_what_two_cues_did_not_change_is_told_in_size_once() -> None:
    """The third cue says how far it still is; not where the driver came nearer."""
    r = rule("later")
    for amounts, still in (((20.0, 20.0, 19.0), True), ((20.0, 20.0, 10.0), False)):
        s = schedule(r)
        for lap, amount in enumerate(amounts, start=1):
            s.passed(0, (finding(amount=amount),))
            assert s.no_nearer(r, 0) is (still and lap == 3)
            s.spoke(r, 0, lap, "brake later")
        s.passed(0, (finding(amount=amounts[-1]),))
        assert not s.no_nearer(r, 0)


def test_a_gain_within_the_scatter_of_the_losses_is_no_cure() -> None:
    """Three quick passes among passes that scatter as much prove nothing."""
    r = rule("later")
    for apart, praised in ((0.01, True), (0.06, False)):
        s = schedule(r, rule("good", "confirmation"))
        for lap in range(1, 5):
            s.passed(0, (finding(cost_s=0.06),), loss_s=0.07 + (-1) ** lap * apart)
            s.spoke(r, 0, lap, "brake later")
        for lap in range(3):
            s.passed(0, (), loss_s=0.02 + (-1) ** lap * apart)
        assert (s.cured(s.rules.rules[1]) == (0,)) is praised


def test_known_safety_cautions_come_back_in_turn() -> None:
    """Each is said in the first lap; then one every fifth lap, the one that was not said for longest."""
    r = rule("bump", "caution", "bump", safety=True)
    s = schedule(r)
    said = []
    for lap in range(1, 19):
        for corner in (0, 2):
            if not s.hold(r, corner, lap, 0, hurts=True):
                s.spoke(r, corner, lap, "bump")
                said.append((lap, corner))
    assert [(1, 0), (1, 2), (6, 0), (11, 2), (16, 0)] == said


@pytest.mark.parametrize(("now_s", "praised"), [(0.3, False), (0.2, False), (0.1, True), (math.nan, True)])
def test_passes_that_lose_as_much_as_before_are_no_cure(now_s: float, praised: bool) -> None:
    """A fault of 0.3 s that is found no more is praised where half of that is gained, or no loss is known."""
    r = rule("later")
    s = schedule(r, rule("good", "confirmation"))
    for lap in range(1, 5):
        s.passed(0, (finding(cost_s=0.3),), loss_s=0.3)
        s.spoke(r, 0, lap, "brake later")
    for _ in range(3):
        s.passed(0, (), loss_s=now_s)
    assert (s.cured(s.rules.rules[1]) == (0,)) is praised


def test_each_has_its_turn_and_the_costly_ones_more_often() -> None:
    """Of five corners one that costs eight times as much comes each lap or nearly, the cheapest within four laps."""
    work = FocusCorners(2)
    turns = []
    for lap in range(1, 13):
        work.begin(
            lap, {0: 0.8, 1: 0.3, 2: 0.2, 3: 0.15, 4: 0.1} if lap % 3 else {0: 0.1, 1: 0.1, 2: 0.1, 3: 0.1, 4: 0.1}
        )
        turns.append(set(work.corners))
        assert 2 == len(work.corners)
        for corner in turns[-1]:
            work.told(corner, 0.1)
        for corner in range(5):
            work.resolved(corner)
    assert all(any(4 in t for t in turns[i : i + 5]) for i in range(8))
    assert sum(0 in t for t in turns) >= 6


def test_what_does_not_mend_rests_longer_each_time() -> None:
    """Three turns that changed nothing and a corner rests three laps, then six; one that improves continues."""
    for mends, expected in ((False, [1, 2, 3, 7, 8, 9, 16, 17, 18]), (True, list(range(1, 19)))):
        work, laps_of = FocusCorners(1), []
        for lap in range(1, 19):
            work.begin(lap, {0: 0.5 * (0.9**lap if mends else 1.0)})
            if work.corners:
                laps_of.append(lap)
                work.told(0, 0.5 * (0.9**lap if mends else 1.0))
        assert expected == laps_of


def test_a_corner_rests_only_for_what_was_said() -> None:
    """Turns without a word count for nothing: what could not be said is not given up."""
    work = FocusCorners(1)
    for lap in range(1, 10):
        work.begin(lap, {0: 0.5})
        assert {0} == work.corners


def test_what_becomes_known_within_the_lap_is_taken_up() -> None:
    """The pass of the last corner of a lap is measured in the next one: it is worked on in that one, if it is ahead."""
    r = rule("later")
    for asked, expected in ((False, ""), (True, "another corner first")):
        s = schedule(r)
        s.choose_work(1)
        if asked:
            s.opened(3)
        s.passed(3, BAD)
        assert expected == s.hold(r, 3, 1, 0)


def test_line_before_speed_for_a_learner() -> None:
    """While the line is off, a learner hears nothing about speed; others do (Kaufman et al. 2024)."""
    line, speed = rule("turn", about="turn_in_early"), rule("faster", about="slow_middle")
    both = (finding("turn_in_early", cost_s=0.1), finding("slow_middle", cost_s=0.3))
    for level, expected in (("learning", ("line first", "")), ("improving", ("", "another fault first"))):
        s = schedule(line, speed, level=level)
        s.passed(0, both)
        s.choose_work(2)
        assert expected == (s.hold(speed, 0, 2, 0), s.hold(line, 0, 2, 0))


def test_a_cure_is_confirmed_once_and_not_after_a_relapse() -> None:
    """After three good passes since it was told, once; a bad pass before it is said takes it back; a fault nobody
    spoke of is not confirmed."""
    r, praise = rule("later"), rule("good", "confirmation")
    s = schedule(r, praise, luck=1.0)
    s.passed(0, BAD)
    s.passed(1, BAD)
    s.choose_work(2)
    s.spoke(r, 0, 2, "later")
    for done in range(3):
        assert () == s.cured(praise), done
        s.passed(0, ())
        s.passed(1, ())
    assert (0,) == s.cured(praise)
    s.spoke(praise, 0, 5, "good")
    s.passed(0, ())
    assert () == s.cured(praise)
    for results in ([False, True, True, True], [False, True, True, True, False]):
        s.spoke(r, 0, 6, "later")
        for good in results:
            s.passed(0, () if good else BAD)
        assert bool(results[-1]) == bool(s.cured(praise))


def test_a_cure_is_no_luck() -> None:
    """Where half of the passes were right before, three right ones in a row are luck (1 in 8) and five are not."""
    r, praise = rule("later"), rule("good", "confirmation")
    s = schedule(r, praise)
    for good in (True, False, True, False, True, False):
        s.passed(0, () if good else BAD)
    s.choose_work(1)
    s.spoke(r, 0, 1, "later")
    praised = []
    for _ in range(6):
        s.passed(0, ())
        praised.append(bool(s.cured(praise)))
    assert [False] * 4 + [True] * 2 == praised


def test_cooldown_and_budget() -> None:
    """A cooldown counts laps of silence; the budget holds for the lap, and shrinks once the driver has settled."""
    r = rule("board", "reminder", "brake_board", cooldown_laps=2)
    assert ["spoken", "said recently", "said recently", "spoken"] == laps(schedule(r), r, [False] * 4)
    plain, safe = rule("x", "reminder", "brake_board"), rule("bump", "caution", "bump", safety=True)
    s = schedule(plain, safe, cues_per_lap=6)
    assert ["", "lap's limit reached"] == [s.hold(plain, 0, 1, n) for n in (5, 6)]
    assert ["", "lap's limit reached"] == [s.hold(plain, 0, SETTLED_LAPS, n) for n in (SETTLED_CUES - 1, SETTLED_CUES)]
    assert "" == s.hold(safe, 0, SETTLED_LAPS, 99)


def test_other_words_when_the_first_do_not_help() -> None:
    """After three times in vain the next wording is due, and it is new again."""
    r = rule("later", alternatives=("other",))
    s = schedule(r)
    turns = []
    for lap in range(1, 10):
        s.passed(0, BAD)
        turns.append(s.turn(r, 0))
        s.spoke(r, 0, lap, "later")
    assert [0, 0, 0, 1, 1, 1, 2, 2, 2] == turns
    assert s.is_new(r, 0, "other")
    s.spoke(r, 0, 10, "other")
    assert not s.is_new(r, 0, "other")


def test_what_is_known_is_kept_across_sessions() -> None:
    """Stage, counts and what was heard survive as JSON; laps restart, so no cooldown reaches over."""
    r = rule("board", "reminder", "brake_board", cooldown_laps=3)
    s = schedule(r)
    laps(s, r, [True] * 12)
    kept = msgspec.json.decode(msgspec.json.encode(s.state()), type=DriverProgress)
    again = schedule(r, memory=kept)
    assert "retired" == again.progress(r, 0).stage
    assert "known by now" == again.hold(r, 0, 0, 0)
    assert s.memory.heard == again.memory.heard
    again.passed(0, BAD)
    again.passed(0, BAD)
    assert "" == again.hold(r, 0, 1, 0)


def test_of_two_reminders_that_pull_to_and_fro_one_driver_hears_one() -> None:
    """The shipped first laps: where a board was named, "brake earlier" never follows, in no later lap either."""
    rules = load_rules("first_laps")
    by = {rule.name: rule for rule in rules.rules}
    s = Schedule(rules, ("A", "B"))
    assert not s.hold(by["gradient"], 0, 1, 0)
    s.spoke(by["brake_board"], 0, 1, "brake at the hundred")
    assert [Reason.OPPOSED] * 19 == [s.hold(by["gradient"], 0, lap, 0) for lap in range(1, 20)]
    assert not s.hold(by["gradient"], 1, 1, 0)


def test_faults_of_one_cure_found_in_turn_are_one_habit() -> None:
    """Late throttle in one pass and soft throttle in the next: the last one is due, as if found twice."""
    rules = load_rules("improving")
    by = {rule.name: rule for rule in rules.rules}
    recent = Recent()
    recent.add(0, (Finding("throttle_late", 20.0, "m", 0.3),))
    assert not recent.due(by["throttle_late"], 0)
    recent.add(0, (Finding("throttle_soft", 0.3, "share", 0.3),))
    assert recent.due(by["throttle_soft"], 0)
    assert not recent.due(by["throttle_late"], 0)
    recent.add(0, (Finding("slow_middle", 2.0, "m/s", 0.3),))
    assert not recent.due(by["slow_middle"], 0)


def test_the_place_of_a_corner_that_came_right_goes_to_one_still_ahead() -> None:
    """Nothing was said at the first; the second's approach began already, so the third takes the place."""
    work = FocusCorners(1)
    work.begin(1, {0: 0.5, 1: 0.4, 2: 0.3})
    assert {0} == work.corners
    work.resolved(0, {0, 1})
    assert {2} == work.corners
    work.told(2, 0.3)
    work.resolved(2, {0, 1, 2})
    assert {2} == work.corners


def test_a_driver_who_does_not_respond_is_left_alone_though_the_expected_gain_falls() -> None:
    """Cued and never fixed: three cues, then rest, with the reason that points to the page."""
    r = rule("brake_later", family="correction", about="brake_early", slot="approach")
    s = schedule(r, corners_in_work=1)
    held = []
    for lap in range(1, 15):
        s.choose_work(lap)
        held.append(s.hold(r, 0, lap, 0))
        if not held[-1]:
            s.spoke(r, 0, lap, "brake later")
        s.passed(0, BAD)
    assert Reason.NO_RESPONSE in held[:9]
    assert held.count(Reason.NONE) <= 7
