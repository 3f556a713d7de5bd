"""Calls in every language and unit system: complete, from data of the language file, in the words of a driver."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import pytest

from coach.app.live.drive_options import OutputOptions, voice_options
from coach.core.cue.call_words import call_forms, count_words, gap_words, lap_words, pieces
from coach.core.cue.language import ENGLISH
from coach.core.cue.rules import CALLS, RuleSet
from coach.core.cue.spoken_pieces import JOINT, split
from coach.core.cue.wording import wordings
from coach.core.unit_system import SYSTEMS
from coach.core.values import Corner
from coach.profile.language_file import Catalogue, language_paths, load_language
from coach.profile.rule_files import load_rules, read_rules, rule_paths

LANGUAGES = sorted(language_paths())
CORNER = Corner("T3", "left", 100.0, 200.0, 230.0, 260.0, 290.0, say="turn three", boards_m=(150, 100, 50), gear=2)
LAPS_S = (45.2, 60.0, 61.9, 65.1, 71.0, 90.9, 119.97, 125.3)
GAPS_S = (0.0, -0.1, 0.2, -0.5, 0.96, 1.0, -1.4, 2.1, 2.6, 3.0, 9.0)


def all_on(path: Path, catalogue: Catalogue, units: str) -> RuleSet:
    """A shipped rule set with every rule switched on."""
    model = read_rules(path, catalogue).model
    every = [rule.model_copy(update={"on": True}) for rule in model.rules]
    return model.model_copy(update={"rules": every}).to_rules(catalogue, SYSTEMS[units])


def every_call(rules: RuleSet, advice: str) -> dict[str, tuple[str, ...]]:
    """Every call of the rule set as it is spoken, long to short, by what it is about."""
    language = rules.language
    out: dict[str, tuple[str, ...]] = {}
    for rule, time_s, gap_s in product(rules.calls, LAPS_S, GAPS_S):
        values = {
            "lap": lap_words(time_s, time_s, language), "gap": gap_words(gap_s, language),
            "brief": lap_words(time_s, time_s, language, brief=True), "sector": language.number(1),
            "count": count_words(len(out) + 1, language), "corner": "turn three", "advice": advice,
        }  # fmt: skip
        out[rule.about] = (*out.get(rule.about, ()), *call_forms(rule, values))
    return out


@pytest.mark.parametrize("units", sorted(SYSTEMS))
@pytest.mark.parametrize("name", LANGUAGES)
def test_every_call_is_spoken_in_each_language_and_unit_system(name: str, units: str) -> None:
    """The same calls as in English; each of their pieces is rendered beforehand, and no placeholder is left."""
    heard = set()
    catalogue = load_language(name)
    advice = catalogue.texts["brake_late.short"]
    for path in rule_paths().values():
        rules = all_on(path, catalogue, units)
        assert {c.name for c in all_on(path, load_language("en"), "metric").calls} == {c.name for c in rules.calls}
        said = every_call(rules, advice)
        assert {c.about for c in rules.calls} == set(said)
        # the advice of a pit call is a cue, rendered as such
        rendered = {p for s in LAPS_S for p in pieces(rules.calls, [CORNER], s, rules.language)} | {advice}
        for text in (text for texts in said.values() for text in texts):
            assert not re.search(r"[{}]|\d", text), text
            assert set(split(text)) <= rendered, text
        heard |= set(said)
    assert heard == set(CALLS)


@pytest.mark.parametrize("name", [n for n in LANGUAGES if n != "en"])
def test_no_english_number_is_left_in_another_language(name: str) -> None:
    """Each number, difference and count differs from English, or the call would mix two languages."""
    other = load_language(name).language
    for n, word in ENGLISH.numbers:
        assert word != other.number(n)
    for gap_s in GAPS_S:
        assert gap_words(gap_s) != gap_words(gap_s, other)
    for count in range(1, 8):
        assert count_words(count) != count_words(count, other)
    for time_s in LAPS_S:
        assert not set(split(lap_words(time_s, time_s))) & set(split(lap_words(time_s, time_s, other)))


@pytest.mark.parametrize(
    ("time_s", "english", "german"),
    [
        (90.9, "one thirty~point nine", "eins dreißig~Komma neun"),
        (65.1, "one oh five~point one", "eins null fünf~Komma eins"),
        (60.0, "one oh oh~point zero", "eins null null~Komma null"),
        (45.2, "forty-five~point two", "fünfundvierzig~Komma zwei"),
    ],
)
def test_a_lap_time_in_both_languages(time_s: float, english: str, german: str) -> None:
    """Minutes, seconds, tenth (common practice, no source)."""
    said = [lap_words(time_s, time_s, load_language(name).language).replace(JOINT, "~") for name in ("en", "de")]
    assert [english, german] == said


@pytest.mark.parametrize(
    ("gap_s", "english", "german"),
    [
        (-0.2, "two tenths up", "zwei Zehntel schneller"),
        (0.5, "half a second down", "eine halbe Sekunde langsamer"),
        (0.02, "level", "gleich schnell"),
        (-1.0, "a second up", "eine Sekunde schneller"),
        (1.5, "a second and a half down", "eineinhalb Sekunden langsamer"),
        (4.0, "over three seconds down", "über drei Sekunden langsamer"),
    ],
)
def test_a_difference_in_both_languages(gap_s: float, english: str, german: str) -> None:
    """Up is faster (common practice, no source)."""
    assert [english, german] == [gap_words(gap_s, load_language(name).language) for name in ("en", "de")]


@pytest.mark.parametrize(
    ("language", "units", "first"),
    [
        ("en", "metric", "turn three, turn in five of twenty-five metres later"),
        ("en", "imperial", "turn three, turn in fifteen of seventy-five feet later"),
        ("en", "yards", "turn three, turn in five of twenty-five yards later"),
        ("de", "metric", "turn three, fünf von fünfundzwanzig Metern später einlenken"),
        ("de", "imperial", "turn three, fünfzehn von fünfundsiebzig Fuß später einlenken"),
        ("de", "yards", "turn three, fünf von fünfundzwanzig Yards später einlenken"),
    ],
)
def test_the_first_cue_gives_the_whole_way_in_the_unit(language: str, units: str, first: str) -> None:
    """One step of all that was measured, rounded down (27 m are 88.6 ft and 29.5 yd, international yard of 1959)."""
    rules = load_rules("improving", language, units)
    rule = next(r for r in rules.rules if r.name == "turn_in_early")
    (wording,) = wordings(rule, CORNER, amount=27.0, language=rules.language, system=rules.units)
    assert first == wording.first
    (small,) = wordings(rule, CORNER, amount=7.0, language=rules.language, system=rules.units)
    assert "" == small.first


def test_the_voice_gets_the_pronunciations_of_the_language_and_of_the_profile() -> None:
    """A profile's own word wins over that of the language."""
    said = voice_options(OutputOptions(language="de", voice=False), {"Quarry": "Kworri"}).pronunciations
    assert ("41", "Kworri") == (said["einundvierzig"], said["Quarry"])
    assert (
        "4x"
        == voice_options(OutputOptions(language="de", voice=False), {"einundvierzig": "4x"}).pronunciations[
            "einundvierzig"
        ]
    )
