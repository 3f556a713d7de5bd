"""What the driver asks for: answered in a quiet moment, the same however frames are cut, counted as said."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import msgspec
import pytest
from core_setup import mixed_rules, pipeline, plan, same, session

from coach.core.cue.asking import KEPT_REVIEW_S, Request, Reviewed
from coach.core.cue.language import ENGLISH
from coach.core.cue.rules import CueRule, RuleSet
from coach.core.cue.tones import KINDS, ToneKind, ToneOptions
from coach.core.pipeline import Events, Pipeline
from coach.core.values import Decision, Finding
from coach.profile.rule_files import load_rules

QUIET = ("braking", "entry", "exit")


def run(
    asked: Sequence[tuple[int, Request]], cuts: Sequence[int] = (), rules: RuleSet | None = None, tones: str = ""
) -> tuple[Events, Pipeline]:
    """A session in which these are asked for, each after so many frames."""
    columns = session(2, 20.0)
    p = pipeline(rules)
    if tones:
        kinds: tuple[ToneKind, ...] = tuple(k for k in KINDS if k in tones.split())  # type: ignore[misc]
        p.sound(ToneOptions(kinds))
    happened = Events()
    edges = sorted({0, len(columns), *cuts, *(n for n, _ in asked)})
    for a, b in zip(edges, [*edges[1:], None], strict=True):
        for n, request in asked:
            if n == a:
                happened.add(p.ask(request))
        if b is not None:
            happened.add(p.push_columns(columns.part(a, b)))
    happened.add(p.finish())
    return happened, p


def answers(happened: Events) -> list[Decision]:
    """What was answered, or why not."""
    return [d for d in happened.decisions if d.slot == "asked"]


def phase_at(happened: Events, t: float) -> str:
    """The phase that held at ``t``."""
    return [c.phase for c in happened.phases if c.t_s <= t][-1]


ALL: tuple[tuple[int, Request], ...] = (
    (300, "last_corner"), (700, "mark"), (900, "repeat"), (1200, "last_corner"), (1500, "quiet_lap"),
    (1900, "last_corner"), (2100, "repeat"),
)  # fmt: skip


def test_the_answer_does_not_depend_on_how_frames_are_cut() -> None:
    """One by one, in batches of seven, or as large as the requests allow: the same decisions and marks, tones too."""
    n = len(session(2, 20.0))
    large, _ = run(ALL, tones="count release delta")
    for cuts in (range(n), range(0, n, 7)):
        small, _ = run(ALL, list(cuts), tones="count release delta")
        assert same(large) == same(small)
        assert large.marks == small.marks
    assert len(ALL) <= len(answers(large))
    assert any(d.outcome == "sounded" for d in large.decisions)


@pytest.mark.parametrize("at", range(200, 2200, 250))
def test_an_answer_comes_in_a_quiet_moment_or_not_at_all(at: int) -> None:
    """Never from the brake to the exit; within three seconds of the first moment with room; too old is dropped."""
    happened, _ = run([(at, "last_corner")])
    (answer,) = answers(happened)
    asked_s = float(session(2, 20.0)["t_s"][at - 1])
    if answer.outcome == "spoken":
        assert phase_at(happened, answer.t_s) not in QUIET
        assert phase_at(happened, answer.ends_t_s) not in QUIET
        assert answer.t_s - asked_s <= KEPT_REVIEW_S
    else:
        assert answer.reason in ("no moment for the answer", "session over", "no room")


def test_the_costliest_thing_of_the_corner_just_driven() -> None:
    """Asked right after a corner with a planted fault: that fault, by the corner's name, in the words of its rule, and
    it counts as said: the rule is not told again before that corner in the next lap."""
    plain, _ = run([])
    found = next(p for p in plain.passes if p.findings and p.findings[0].fault == "brake_soft")
    end = next(c.t_s for c in plain.phases if c.corner == found.corner and c.lap == found.lap and c.event == "end")
    at = int((session(2, 20.0)["t_s"] <= end + 0.5).sum())
    quiet = msgspec.structs.replace(mixed_rules(), cues_per_lap=0)
    happened, p = run([(at, "last_corner")], rules=quiet)
    (answer,) = answers(happened)
    assert "spoken" == answer.outcome
    assert found.findings[0].fault == answer.fault
    assert "correction" == answer.family
    assert answer.text.startswith(p.corners[found.corner].say)
    assert answer.text.endswith("next time")
    assert answer.t_s - end <= 3.0
    rule = next(r for r in p.cue_engine.rules.rules if r.name == answer.rule)
    assert 1 == p.cue_engine.schedule.progress(rule, found.corner).said
    assert [answer] == [d for d in happened.decisions if d.outcome == "spoken" and not d.safety]


def test_repeat_says_the_last_cue_again_and_nothing_before_there_was_one() -> None:
    """The same words (with the corner's name once it is passed); before the first cue the log says why not."""
    plain, _ = run([])
    said = next(d for d in plain.decisions if d.outcome == "spoken")
    at = int((session(2, 20.0)["t_s"] <= said.ends_t_s + 0.2).sum())
    happened, _ = run([(at, "repeat")])
    (answer,) = answers(happened)
    assert ("answer", "repeat") == (answer.family, answer.rule)
    if answer.outcome == "spoken":
        assert said.text in answer.text
    (nothing,) = answers(run([(100, "repeat")])[0])
    assert ("held", "nothing to repeat") == (nothing.outcome, nothing.reason)


def test_quiet_lasts_until_the_line_and_cautions_stay() -> None:
    """From the request to the line nothing but safety cautions and the acknowledgement; then cues again."""
    plain, _ = run([])
    t = session(2, 20.0)["t_s"]
    line = plain.laps[0].t_s
    began = line - plain.laps[0].time_s
    before = [d for d in plain.decisions if d.outcome == "spoken" and not d.safety and began + 3.0 < d.t_s < line]
    at = int((t <= before[0].t_s - 3.0).sum())
    happened, _ = run([(at, "quiet_lap")])
    spoken = [d for d in happened.decisions if d.outcome == "spoken" and t[at - 1] < d.t_s]
    assert [d for d in spoken if d.t_s < line and not d.safety and d.slot != "asked"] == []
    assert [d for d in spoken if d.t_s > line and not d.safety]
    assert any(d.reason == "driver asked for quiet" for d in happened.decisions)
    assert [d.text for d in plain.decisions if d.safety and d.outcome == "spoken"] == [
        d.text for d in happened.decisions if d.safety and d.outcome == "spoken"
    ]


def test_a_mark_is_where_the_car_was() -> None:
    """Place, lap and time of the last frame, numbered, and acknowledged."""
    happened, _ = run([(700, "mark"), (1300, "mark")])
    columns = session(2, 20.0)
    assert ["mark 1", "mark 2"] == [m.name for m in happened.marks]
    for mark, n in zip(happened.marks, (700, 1300), strict=True):
        assert mark.t_s == columns["t_s"][n - 1]
        away = abs(complex(mark.x_m - columns["x_m"][n - 1], mark.y_m - columns["y_m"][n - 1]))
        assert away < 10.0
    assert ENGLISH.answer("mark") in [d.text for d in answers(happened)]


def test_nothing_is_asked_of_a_car_whose_place_is_not_known() -> None:
    """Before the first frame: held back, no mark, and the run goes on as without."""
    happened, _ = run([(0, "mark"), (0, "last_corner")])
    assert [] == happened.marks
    assert ["lost", "lost"] == [d.reason for d in answers(happened)]
    plain, _ = run([])
    assert same(plain)[0] == same(happened)[0][2:]  # type: ignore[index]


@cache
def before_a_long_straight() -> int:
    """The frame after which the car is on the way out of the tenth corner."""
    ends = [c.t_s for c in run([])[0].phases if c.event == "end" and c.corner == 9 and c.lap == 1]
    return int((session(2, 20.0)["t_s"] <= ends[0]).sum())


@pytest.mark.parametrize("rule", [r for r in load_rules("ask").rules if r.family == "correction"], ids=lambda r: r.name)
def test_each_rule_of_the_set_that_waits_is_said_when_asked(rule: CueRule) -> None:
    """Asked about a corner with its fault, each correction of the set is said by the corner's name; none unasked."""
    columns, p = session(2, 20.0), pipeline(load_rules("ask"))
    amount = 0.2 if rule.about in ("brake_soft", "throttle_soft") else 10.0
    found = Reviewed((Finding(rule.about, amount, "m", 0.2),), True)  # type: ignore[arg-type]
    p.session_tracker.asking._review = lambda about, u_m: found
    at = before_a_long_straight()
    happened = p.push_columns(columns.part(0, at))
    happened.add(p.ask("last_corner"))
    happened.add(p.push_columns(columns.part(at, at + 200)))
    assert rule.name in [d.rule for d in answers(happened) if d.outcome == "spoken"]
    assert [] == [d for d in happened.decisions if d.outcome == "spoken" and not d.safety and d.slot != "asked"]


def test_an_answer_crosses_no_limit_and_says_nothing_of_a_spin() -> None:
    """What the profile does not allow is not advised on request either; a pass that was spoiled is not praised."""
    columns = session(2, 20.0)
    for findings, judged in (((Finding("exit_narrow", 2.0, "m", 0.2),), True), ((), False)):
        reference, corners = plan()
        tight = tuple(msgspec.structs.replace(c, widest_exit_offset_m=0.0) for c in corners)
        p = Pipeline(reference, tight, load_rules("ask"))
        reviewed = Reviewed(findings, judged)
        p.session_tracker.asking._review = lambda about, u_m, found=reviewed: found  # type: ignore[misc]
        at = before_a_long_straight()
        happened = p.push_columns(columns.part(0, at))
        happened.add(p.ask("last_corner"))
        happened.add(p.push_columns(columns.part(at, at + 200)))
        (answer,) = answers(happened)
        assert ("spoken", ENGLISH.answer("no rule")) == (answer.outcome, answer.text)
