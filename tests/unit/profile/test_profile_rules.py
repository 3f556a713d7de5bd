"""Rule files: everything wrong with a rule is said with its line; what ships says nothing too long."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from profile_examples import PROFILE, RULES

from coach.core.cue.call_words import pieces
from coach.core.cue.information_units import units, words
from coach.core.cue.rules import FAULTS, MAX_LONG_UNITS, MAX_SHORT_UNITS, MAX_SHORT_WORDS, RuleSet
from coach.core.cue.wording import every_wording
from coach.core.values import Caution, Corner
from coach.errors import RulesError
from coach.profile.rule_files import audit, load_rules, parse_rules, phrases, rule_paths
from coach.profile.store import load_plan, parse_profile, profile_paths

EXAMPLE = parse_profile(PROFILE.encode(), "example").to_corners()

CASES = [
    ("about: brake_early", "about: brake_erly", "about", "'brake_erly'", "for a correction: brake_early,"),
    ("about: brake_early", "about: gear", "about", "'gear'", "for a correction: brake_early,"),
    ("slot: approach", "slot: never", "slot", "'never'", "'approach', 'exit', 'straight', 'line' or 'pit'"),
    ("family: correction\n    about: brake_early", "family: caution\n    about: brake_early", "about", "'brake_early'",
     "for a caution: bump, crest"),
    ("seen: 2", "seen: 4", "seen", "4 of the last 3", "at most 3 (of_last)"),
    ("seen: 2", "seen: 2\n    safety: true", "safety", "true for a correction", "true only for cautions"),
    ("seen: 2", "seen: 2\n    priority: 101", "priority", "101", "at most 100"),
    ("seen: 2", "seen: 2\n    levels: []", "levels", "a list of 0", "at least 1"),
    ("seen: 2", "seen: 2\n    levels: [pro]", "levels[1]", "'pro'", "'learning', 'improving' or 'racing'"),
    ("seen: 2", "seen: 2\n    alternatives: [go on, \"at {apx}\"]", "alternatives[2]", "{apx}", "{board}, {corner}"),
    ("{metres} metres", "{words} metres", "long", "{words}",
     "{apex}, {board}, {corner}, {distance}, {gear}, {metres}, {tenths}"),
    ("{metres} metres", "{metres metres", "long", "'you can brake {metres metres later'", "each brace closed"),
    ("short: brake later", "short: brake a good deal later", "short", "5 words", "4 in the short form"),
    ("short: brake later", "short: brake later, second gear", "short", "3 units", "2 in the short form"),
    ("long: \"you can brake", "long: \"{corner}, second gear, late apex, brake", "long", "5 units",
     "4 in the long form"),
    ("short: brake later", "short: '...'", "short", "'...'", "can be spoken"),
    ("name: later", "name: La ter", "name", "'La ter'", "lower-case letters, digits and _"),
    ("slot: approach", "slot: line", "slot", "line for a correction", "approach or exit or straight"),
    ("slot: approach", "slot: approach\n    when: speed > 3", "when", "an unknown field", "name, family, about"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "field", "found", "allowed"), CASES)
def test_each_rule_error_has_its_line(old: str, new: str, field: str, found: str, allowed: str) -> None:
    """One wrong thing in a rule gives one line with the place, what was found and what is allowed."""
    assert RULES.count(old) > 0
    text = RULES.replace(old, new, 1)
    line = next(i for i, t in enumerate(text.split("\n"), 1) if new.split("\n")[-1].strip() in t)
    with pytest.raises(RulesError) as caught:
        parse_rules(text.encode(), "mine.yaml")
    message = str(caught.value)
    assert 1 == len(message.split("\n"))
    name = "La ter" if "La ter" in new else "later"
    assert message.startswith(f"mine.yaml:{line}: rules[{name}].{field}: expected ")
    wanted, _, there = message.partition("expected ")[2].rpartition(" found ")
    assert found in there
    assert allowed in wanted


def test_errors_of_the_rule_set(tmp_path: Path) -> None:
    """Margins below the published reaction times (Green 2000: 0.75 s expected, 1.25 s not) and doubles are refused."""
    rule = RULES.split("rules:\n")[1]
    for text, message in [
        (RULES + rule, r":13: rules\[later\].name: expected each name once, found 'later' twice"),
        (RULES.replace("rules:", "margin_new_s: 1.2\nrules:"), r":4: margin_new_s: expected at least 1.25, found 1.2"),
        (
            RULES.replace("rules:", "margin_rehearsed_s: 0.7\nrules:"),
            r":4: margin_rehearsed_s: expected .* 0.75, found 0.7",
        ),
        (RULES.replace("rules:", "margin_rehearsed_s: 2\nrules:"), r"margin_new_s: expected at least 2 .*, found 1.25"),
        (RULES.replace("level: improving", "level: pro"), r":3: level: expected 'learning'"),
    ]:
        with pytest.raises(RulesError, match=message):
            parse_rules(text.encode(), "x.yaml")
    with pytest.raises(RulesError) as caught:
        parse_rules(RULES.replace("correction", "confirmation").encode(), "x.yaml")
    slot, long = str(caught.value).split("\n")
    assert "x.yaml:8: rules[later].slot: expected exit or straight, found approach for a confirmation" == slot
    assert long.startswith("x.yaml:9: rules[later].long: expected {apex}, {board}")
    assert long.endswith("; found {metres}")
    with pytest.raises(RulesError, match="one of ask, first_laps, improving, race; found no rule set of that name"):
        load_rules("nothing")
    with pytest.raises(RulesError, match="expected a YAML file, found a folder"):
        load_rules(tmp_path)


def test_the_three_rule_sets_are_what_they_say() -> None:
    """First laps remind, improving has a correction and a confirmation for every fault, race cautions; calls aside."""
    first, improving, race = (load_rules(name) for name in ("first_laps", "improving", "race"))
    assert ("learning", "improving", "racing") == (first.level, improving.level, race.level)
    assert {"reminder", "caution"} == {r.family for r in first.rules}
    assert {"caution"} == {r.family for r in race.rules}
    for family in ("correction", "confirmation"):
        assert sorted(FAULTS) == sorted(r.about for r in improving.rules if r.family == family)
    for rules in (first, improving, race):
        assert {"bump", "crest", "surface", "kerb", "track_limit", "other"} == {
            r.about for r in rules.rules if r.family == "caution"
        }
    assert load_rules(rule_paths()["race"]) == race


@cache
def every_set() -> list[RuleSet]:
    return [load_rules(name) for name in rule_paths()]


def too_long(rules: RuleSet, corners: tuple[Corner, ...]) -> list[str]:
    return [
        row.text
        for row in audit(rules, corners)
        if row.units > MAX_LONG_UNITS
        or (row.form in ("short", "alternative") and (row.units > MAX_SHORT_UNITS or row.words > MAX_SHORT_WORDS))
    ]


def test_every_phrase_of_what_ships_is_within_the_limits() -> None:
    """At most four units of information in any phrase (Gatling 1975, FHWA-RD-75-73), two and four words when short."""
    for rules in every_set():
        rows = audit(rules, EXAMPLE)
        assert len(rows) >= len(EXAMPLE)
        assert [] == too_long(rules, EXAMPLE)
        for name in profile_paths():
            corners = load_plan(name).corners
            assert [] == too_long(rules, corners)


kerb = st.sampled_from([None, "use", "touch", "avoid"])
own = st.sampled_from(["wait", "not over the outside kerb", "release slowly, late apex", "it gets very tight here"])
corners_ = st.builds(
    Corner,
    name=st.sampled_from(["T1", "Long Left", "The Old Quarry Bend"]),
    say=st.sampled_from(["", "turn one", "the long double right"]),
    direction=st.sampled_from(["left", "right"]),
    brake_m=st.floats(0, 300) | st.just(float("nan")),
    turn_in_m=st.just(350.0),
    apex_m=st.just(380.0),
    exit_m=st.just(420.0),
    end_m=st.just(450.0),
    boards_m=st.sets(st.integers(1, 20).map(lambda i: 25.0 * i) | st.floats(5, 500), max_size=5).map(
        lambda b: tuple(sorted(b, reverse=True))
    ),
    gear=st.none() | st.integers(1, 8),
    apex=st.sampled_from([None, "early", "mid", "late"]),
    kerb_entry=kerb,
    kerb_apex=kerb,
    kerb_exit=kerb,
    cautions=st.lists(
        st.builds(Caution, st.sampled_from(["bump", "crest", "other"]), st.floats(0, 400), own, st.booleans()),
        max_size=2,
    ).map(tuple),
    words=st.lists(own, max_size=2).map(tuple),
)


@settings(max_examples=100)
@given(corners_)
def test_no_corner_makes_a_phrase_too_long(corner: Corner) -> None:
    """Whatever a profile holds, what is filled is whole (no brace left), within the limits, or not said."""
    for rules in every_set():
        assert [] == too_long(rules, (corner,))
        for rule in rules.rules:
            for wording in every_wording(rule, corner):
                assert wording.texts
                assert not any(c in text for text in wording.texts for c in "{}")
                assert not wording.safety or rule.safety


def test_the_audit_finds_what_the_counting_rule_calls_too_long() -> None:
    """The audit is not blind: a rule built past the file's checks shows up in it."""
    long = "second gear, late apex, use the inside kerb, brake at the hundred"
    assert 6 == len(units(long))
    assert 12 == words(long)
    bad = parse_rules(RULES.encode(), "x").to_rules().rules[0]
    bad = msgspec.structs.replace(bad, long=long, short=long)
    assert () == tuple(every_wording(bad, EXAMPLE[0]))  # not even the pipeline would say it


def test_phrases_hold_everything_that_can_be_said() -> None:
    """Each text of each wording is there, and each once."""
    for rules in every_set():
        listed = phrases(rules, EXAMPLE)
        said = {t for r in rules.rules for c in EXAMPLE for w in every_wording(r, c) for t in w.texts}
        said |= {*dict(rules.language.answers).values(), *pieces(rules.calls, EXAMPLE)}
        assert (said, len(said)) == (set(listed), len(listed))
    assert "turn one, brake at the hundred" in phrases(load_rules("first_laps"), EXAMPLE)
