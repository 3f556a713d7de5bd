"""Calls: what the clock, the limits and the pit stop say, in time, in few pieces, and the same however frames come."""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import cache

import msgspec
import numpy as np
import pytest
from core_setup import corner, finding, plan, ring, same, session

from coach.core.columns import Columns
from coach.core.cue.arbiter import CLEAR_S, Arbiter
from coach.core.cue.call_words import call_forms, gap_words, lap_words, not_alone, pieces
from coach.core.cue.calls import Calls
from coach.core.cue.cue_context import CueContext
from coach.core.cue.cue_engine import CueEngine
from coach.core.cue.language import ENGLISH
from coach.core.cue.rules import CueRule, RuleSet
from coach.core.cue.spoken_pieces import COMMA_S, JOINT, JOINT_S, split
from coach.core.diagnose.condition import Today
from coach.core.pipeline import Events, Pipeline
from coach.core.track_model import TrackModel
from coach.core.values import Decision
from coach.errors import RulesError
from coach.outputs.voice.loudness import CELL
from coach.outputs.voice.pieces import PAUSE_CELLS
from coach.outputs.voice.sound import RATE_HZ
from coach.profile.rule_files import load_rules, parse_rules, phrases
from feeds.frame import CHANNELS


@pytest.mark.parametrize(
    ("time_s", "said"),
    [
        (91.38, "one thirty-one~point four"),
        (91.96, "one thirty-two~point zero"),
        (65.04, "one oh five~point zero"),
        (60.0, "one oh oh~point zero"),
        (120.3, "two oh oh~point three"),
        (59.52, "fifty-nine~point five"),
        (72.0, "one twelve~point zero"),
    ],
)
def test_a_lap_time_is_said_as_drivers_say_it(time_s: float, said: str) -> None:
    """Minutes and seconds together, then the tenth; rounded as a clock with one digit (common practice, no source)."""
    assert said.replace("~", JOINT) == lap_words(time_s, time_s)


def test_a_lap_far_from_the_reference_is_not_said() -> None:
    """The pieces stay few; a lap that took twice as long is no lap to talk about."""
    assert "" == lap_words(190.0, 91.0)
    assert "" == lap_words(math.nan, 91.0)


@pytest.mark.parametrize(
    ("gap_s", "said"),
    [
        (-0.21, "two tenths up"),
        (0.1, "one tenth down"),
        (0.04, "level"),
        (-0.96, "a second up"),
        (1.4, "a second and a half down"),
        (2.1, "two seconds down"),
        (9.0, "over three seconds down"),
        (math.nan, ""),
    ],
)
def test_a_gap_is_said_in_tenths_then_in_halves(gap_s: float, said: str) -> None:
    """Up is faster (common practice, no source)."""
    assert said == gap_words(gap_s)


def test_every_text_is_put_together_from_pieces_that_are_few() -> None:
    """Whatever a lap takes, each piece of its call is rendered beforehand; about two hundred in all."""
    rules = load_rules("race")
    reference, corners = plan()
    known = set(pieces(rules.calls, corners, reference.lap_time_s))
    assert len(known) < 140 + len(corners) * len(ENGLISH.counts)
    for tenth in range(int(reference.lap_time_s * 9), int(reference.lap_time_s * 13)):
        for brief in (False, True):
            assert set(split(lap_words(tenth / 10, reference.lap_time_s, brief=brief))) <= known
    for tenth in range(-60, 60):
        assert gap_words(tenth / 10) in known
    assert known <= set(phrases(rules, corners, reference.lap_time_s))


def test_the_length_of_a_text_follows_from_its_pieces() -> None:
    """As long as they are with the voice's pauses between; that is how the voice puts them together."""
    arbiter = Arbiter({"one thirty-one": 1.0, "point four": 0.3, "two tenths up": 0.9})
    said = f"one thirty-one{JOINT}point four, two tenths up"
    assert 2.2 + JOINT_S + COMMA_S == pytest.approx(arbiter.duration(said))
    assert pytest.approx(PAUSE_CELLS * CELL / RATE_HZ) == COMMA_S


def called(about: str, slot: str = "line", long: str = "", short: str = "") -> CueRule:
    return CueRule(about, "call", about, slot, long, short or long, priority=10)  # type: ignore[arg-type]


EACH = (
    called("lap", long="{lap}, {gap}", short="{lap}"),
    called("best", long="new best, {lap}, {gap}"),
    called("same", long="{lap}, same again"),
    called("drop_off", long="{lap}, pace is dropping"),
    called("limits", "exit", "{count} at {corner}"),
    called("sector", long="sector {sector}, {gap}"),
)


def at_the_line(times: list[float], off: int = -1) -> list[str]:
    """Return candidates after laps of these times; lap ``off`` exceeds the track limits."""
    ground = TrackModel(ring(), (corner("A", 500.0), corner("B", 1200.0)))
    talker = CueEngine(RuleSet("calls", "improving", (), calls=EACH), ("A", "B"), {})
    calls = Calls(CueContext(ground, talker))
    said, t = [], 0.0
    for lap, time_s in enumerate(times):
        t += time_s
        if lap == off:
            calls.left(0, lap, 3.0, t - 20.0, lap * 2000.0 + 600.0)
            talker.arbiter.open.clear()
        calls.line(lap, time_s, True, t, t, (lap + 1) * 2000.0 + 1.0)
        said += [c.forms[0].replace(JOINT, "~") for c in talker.arbiter.open] or [""]
        talker.arbiter.open.clear()
    return said


def test_the_first_lap_has_no_gap_and_a_faster_one_is_a_new_best() -> None:
    """The gap is to the best lap of the session."""
    said = at_the_line([40.4, 40.0, 40.8])
    assert [
        "forty~point four",
        "new best, forty~point zero, four tenths up",
        "forty~point eight, eight tenths down",
    ] == said


@pytest.mark.parametrize(
    ("room_s", "said"),
    [(9.0, "one thirty-three~point five, two tenths down"), (2.2, "thirty-three~point five, two down")],
)
def test_the_gap_is_heard_where_only_few_words_fit(room_s: float, said: str) -> None:
    """A line shortly before a corner leaves 2.2 s: without the minute and the unit the gap is heard there too."""
    rule = next(r for r in load_rules("race").calls if r.about == "lap")
    lap, brief = lap_words(93.5, 92.0), lap_words(93.5, 92.0, brief=True)
    values = {"lap": lap, "gap": gap_words(0.2), "brief": brief, "brief_gap": gap_words(0.2, brief=True)}
    arbiter = Arbiter({})
    fits = [f for f in call_forms(rule, values) if arbiter.duration(f) <= room_s]
    assert said == shown(fits)[0]


def stuck(rounds: int, about: str, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Say a correction about ``about`` at A in vain, ``rounds`` times three; return what is called at the corners."""
    r = CueRule("cue", "correction", about, "approach", "brake later", "brake later")
    ask = called("mark", "exit", "{corner}, which mark do you brake at")
    talker = CueEngine(RuleSet("calls", "improving", (r,), calls=(ask,)), ("A", "B"), {})
    calls = Calls(CueContext(TrackModel(ring(), (corner("A", 500.0), corner("B", 1200.0))), talker))
    monkeypatch.setattr(calls, "_room_s", lambda now_s, u_m: 5.0)
    said, told = [], 0
    for lap in range(1, 30):
        talker.schedule.passed(0, (finding(about, cost_s=0.2),), loss_s=0.2)
        talker.schedule.choose_work(lap)
        if told < 3 * rounds and not talker.schedule.hold(r, 0, lap, 0):
            talker.schedule.spoke(r, 0, lap, "brake later")
            told += 1
        calls.over(1, lap * 40.0, lap * 40.0, lap * 2000.0)
        said += [c.forms[0] for c in talker.arbiter.open]
        talker.arbiter.open.clear()
    return said


@pytest.mark.parametrize(
    ("rounds", "about", "asked"), [(1, "brake_early", 0), (2, "brake_early", 1), (2, "throttle_late", 0)]
)
def test_the_driver_is_asked_for_his_mark_once(
    rounds: int, about: str, asked: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After two rounds of brake cues in vain, once; a driver who finds the mark himself may use another."""
    assert ["A, which mark do you brake at"] * asked == stuck(rounds, about, monkeypatch)


def test_a_new_best_without_room_for_its_time_is_followed_by_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The news at the line, the time on the next straight that has the room."""
    talker = CueEngine(RuleSet("calls", "improving", (), calls=(*EACH[:1], called("best", long="new best, {lap}",
                       short="new best"))), ("A", "B"), {})  # fmt: skip
    calls = Calls(CueContext(TrackModel(ring(), (corner("A", 500.0), corner("B", 1200.0))), talker))
    calls.line(0, 40.4, True, 40.4, 40.4, 2001.0)
    talker.arbiter.open.clear()
    room_s = 1.6
    monkeypatch.setattr(calls, "_room_s", lambda now_s, u_m: room_s)
    calls.line(1, 40.0, True, 80.4, 80.4, 4001.0)
    assert [("new best, forty~point zero", "new best")] == [
        tuple(f.replace(JOINT, "~") for f in c.forms) for c in talker.arbiter.open
    ]
    talker.arbiter.open.clear()
    calls.over(0, 95.0, 95.0, 4600.0)
    assert not talker.arbiter.open
    room_s = 6.0
    calls.over(1, 105.0, 105.0, 5300.0)
    assert ["forty~point zero"] == [c.forms[0].replace(JOINT, "~") for c in talker.arbiter.open]


def test_another_condition_is_said_once_and_so_is_its_end() -> None:
    """Not at every pass, not while it is uncertain, and not for one odd pass."""
    kinds = (called(kind, "exit", words) for kind, words in (("grip_down", "grip is down"), ("usual", "grip is back")))
    talker = CueEngine(RuleSet("calls", "improving", (), calls=tuple(kinds)), ("A", "B"), {})
    ground = TrackModel(ring(), (corner("A", 500.0), corner("B", 1200.0)))
    calls = Calls(CueContext(ground, talker))
    said = []
    passes = (
        ["usual"] * 2 + ["changing"] * 3 + ["grip_down"] * 4 + ["usual", "grip_down"] + ["changing"] * 2 + ["usual"] * 4
    )
    for n, kind in enumerate(passes):
        ground.judging.condition.today = Today(kind=kind)  # type: ignore[arg-type]
        calls.over(n % 2, 20.0 * n, 20.0 * n, 2000.0 * (n // 2) + (600.0, 1300.0)[n % 2])
        said += [(n, c.forms[0]) for c in talker.arbiter.open]
        talker.arbiter.open.clear()
    assert [(6, "grip is down"), (14, "grip is back")] == said


def test_laps_alike_and_laps_that_get_slower_have_words_of_their_own() -> None:
    """Three within two tenths; three that are slower than three before by more than their scatter explains, once."""
    said = at_the_line([40.0, 40.1, 40.1, 40.2, 40.8, 40.9, 40.9])
    assert ["forty~point one, same again", "forty~point two, two tenths down"] == said[2:4]
    assert ["forty~point nine, pace is dropping"] == [s for s in said if "dropping" in s]


def test_scatter_is_no_drop_in_pace() -> None:
    """Laps of one pace with a scatter of three tenths: never said in two hundred laps of a normal driver but rarely."""
    times = np.random.default_rng(4).normal(41.0, 0.3, 200).clip(36.1, 51.0)
    assert len([s for s in at_the_line(list(map(float, times))) if "dropping" in s]) <= 10


def test_a_lap_beyond_the_limits_is_no_lap_time() -> None:
    """It is not called and cannot be the best."""
    assert ["forty~point four", "", "new best, forty~point two, two tenths up"] == at_the_line(
        [40.4, 39.0, 40.2], off=1
    )


@cache
def driven() -> tuple[Columns, dict[str, float]]:
    """Four laps; in laps 1 and 2 wide at the exit of the ninth corner, into the pits in the middle of lap 3."""
    columns = Columns(session(4, 20.0).data.copy())
    reference, corners = plan()
    there = corners[8]
    p = Pipeline(reference, corners, RuleSet("none", "improving", ()))
    t: dict[str, float] = {}
    row = {name: i for i, name in enumerate(CHANNELS)}
    for i in range(len(columns)):
        p.push_columns(columns.part(i, i + 1))
        view = p.view()
        if view.lap in (1, 2) and there.apex_m < view.s_m < there.exit_m:
            columns.data[row["wheels_off"], i] = 4.0
        if view.lap == 3 and view.s_m > 0.5 * reference.length_m:
            columns.data[row["in_pit"], i] = 1.0
            t.setdefault("pit", view.t_s)
            t["out"] = view.t_s
    return columns, t


def run(cuts: int, rules: str = "improving", on: bool = True) -> Events:
    """The session in chunks of ``cuts`` frames, with all calls on."""
    reference, corners = plan()
    chosen = load_rules(rules)
    if on:
        kept = tuple(c for c in chosen.calls if c.about not in {e.about for e in EACH})
        chosen = msgspec.structs.replace(chosen, calls=(*kept, *EACH))
    columns, _ = driven()
    p, happened = Pipeline(reference, corners, chosen), Events()
    for i in range(0, len(columns), cuts):
        happened.add(p.push_columns(columns.part(i, i + cuts)))
    happened.add(p.finish())
    return happened


def calls_of(happened: Events) -> list[Decision]:
    return [d for d in happened.decisions if d.family == "call"]


def test_calls_do_not_depend_on_how_frames_are_cut() -> None:
    """One by one or five hundred at once: the same decisions."""
    assert same(run(1)) == same(run(500))


def test_the_limits_are_counted_by_place() -> None:
    """Once for each pass, right after the corner or on the next straight with room, with the count and the place."""
    said = [d.text for d in calls_of(run(500)) if d.fault == "limits" and d.outcome == "spoken"]
    name = plan()[1][8].say
    assert [f"track limits at {name}", f"that's two at {name}"] == said


def test_the_pit_stop_is_summed_up_in_the_pits() -> None:
    """In the pits the next item is spoken by corner and cue, and nothing else."""
    happened, (_, t) = run(500), driven()
    later = [d for d in happened.decisions if d.outcome == "spoken" and t["pit"] <= d.t_s <= t["out"]]
    assert later
    assert {"better", "next"} >= {d.fault for d in later}
    assert any(d.text.startswith("next, turn ") for d in later)


def test_a_call_never_takes_the_room_of_a_cue() -> None:
    """With calls the same cues are said in the same words as without; each call is over before it gets quiet."""

    def cues(happened: Events) -> list[tuple[int, str, str]]:
        return [(d.lap, d.rule, d.text) for d in happened.decisions if d.outcome == "spoken" and d.family != "call"]

    with_calls, without = run(500), run(500, on=False)
    assert cues(without) == cues(with_calls)
    spoken = [d for d in calls_of(with_calls) if d.outcome == "spoken"]
    assert {"lap", "sector"} & {d.fault for d in spoken}
    assert all(d.ends_t_s + 0.9 * CLEAR_S <= d.action_t_s for d in spoken)


def test_calls_are_off_where_nobody_asked_for_them() -> None:
    """While improving, a driver hears track limits and pit calls; lap times are for races."""
    condition = {"another_car", "grip_down", "grip_up", "usual"}
    assert {"limits", "unsteady", "mark", "better", "next"} | condition == {
        c.about for c in load_rules("improving").calls
    }
    assert {"lap", "best", "same", "drop_off", "limits"} == {c.about for c in load_rules("race").calls}


def test_a_call_whose_numbers_are_no_pieces_of_their_own_is_refused() -> None:
    """Or thousands of texts would have to be rendered; the message says where and what is allowed."""
    assert ["lap"] == not_alone("lap {lap}, {gap}")
    text = (
        "schema: 1\nname: own\nlevel: racing\nrules:\n  - name: lap\n    family: call\n    about: lap\n"
        '    slot: line\n    long: "lap {lap}, {gap}"\n    short: "{lap}"\n'
    )
    with pytest.raises(RulesError, match=r"own.yaml:9: .*\{lap\} alone between commas"):
        parse_rules(text.encode(), "own.yaml")
    with pytest.raises(RulesError, match="expected line, found pit for a call about lap"):
        parse_rules(text.replace("slot: line", "slot: pit").replace("lap {lap}", "{lap}").encode(), "own.yaml")


def shown(texts: Iterable[str]) -> tuple[str, ...]:
    """Texts with the joint as a character that can be seen."""
    return tuple(text.replace(JOINT, "~") for text in texts)


def test_a_lap_time_has_shorter_forms_that_keep_its_numbers() -> None:
    """The minute goes first, then the gap's unit, then the gap; a new best keeps its time as long as one fits."""
    rules = {rule.about: rule for rule in load_rules("race").calls}
    values = {"lap": lap_words(93.5, 92.0), "gap": gap_words(-0.2), "brief": lap_words(93.5, 92.0, brief=True)}
    values["brief_gap"] = gap_words(-0.2, brief=True)
    assert (
        "new best, one thirty-three~point five, two tenths up",
        "new best, thirty-three~point five, two tenths up",
        "new best, thirty-three~point five, two up",
        "new best, one thirty-three~point five",
        "new best, thirty-three~point five",
        "thirty-three~point five, two up",
        "new best",
    ) == shown(call_forms(rules["best"], values))
    assert "thirty-three~point five" == shown(call_forms(rules["lap"], values))[-1]
    # nothing to leave out: under a minute, and at a full minute
    assert ("", "", "oh five~point one") == shown(lap_words(t, t, brief=True) for t in (45.2, 60.0, 65.1))
