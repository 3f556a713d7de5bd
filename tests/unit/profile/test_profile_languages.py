"""The catalogue of spoken texts: complete in each language, used by the rules, short enough to be heard."""

from __future__ import annotations

import math
import re
from pathlib import Path

import msgspec
import pytest

from coach.core.cue.language import ENGLISH
from coach.core.cue.rules import MAX_LONG_UNITS, MAX_SHORT_UNITS, MAX_SHORT_WORDS
from coach.core.cue.wording import placeholders, wordings
from coach.core.unit_system import IMPERIAL, METRIC, SYSTEMS, YARDS
from coach.core.values import Corner
from coach.errors import RulesError
from coach.profile.language_file import in_words, language_paths, load_language
from coach.profile.rule_files import audit, load_rules, parse_rules, rule_paths
from coach.profile.store import load_plan

LANGUAGES = sorted(language_paths())
CORNER = Corner("T3", "left", 100.0, 200.0, 230.0, 260.0, 290.0, say="turn three", boards_m=(150, 100, 50), gear=2)


def test_the_built_in_english_is_that_of_the_file() -> None:
    """The core reads no files, so it holds English itself; here the two are held equal, field by field."""
    for field, spoken in msgspec.structs.asdict(load_language("en").language).items():
        assert spoken == getattr(ENGLISH, field), field


@pytest.mark.parametrize("name", LANGUAGES)
def test_a_language_has_every_key_with_the_same_placeholders(name: str) -> None:
    """Every key of English, not one more, and the same placeholders in each."""
    english, other = load_language("en").texts, load_language(name).texts
    assert sorted(english) == sorted(other)
    for key, text in english.items():
        assert sorted(placeholders(text)) == sorted(placeholders(other[key])), key


def test_every_key_is_used_and_every_one_used_exists() -> None:
    """By a shipped rule or by the sighting lap; and no shipped rule holds a text of its own."""
    root = Path(__file__).parents[3]
    used = set()
    for path in rule_paths().values():
        for line in re.findall(
            r"^    (?:long|short|alternatives|first): (.*)$", path.read_text(encoding="utf-8"), re.M
        ):
            for said in re.findall(r'"([^"]*)"', line):
                assert said.startswith("=") or re.fullmatch(r"\{\w+\}", said), f"{path.name}: {said}"
                used |= {said[1:]} if said.startswith("=") else set()
    spoken = (root / "coach/app/guide/guiding.py").read_text(encoding="utf-8")
    used |= {f"guide.{key}" for key in re.findall(r'"(\w+)"', spoken) if f"guide.{key}" in load_language("en").texts}
    assert used == set(load_language("en").texts)


@pytest.mark.parametrize("units", sorted(SYSTEMS))
@pytest.mark.parametrize("name", LANGUAGES)
def test_every_text_is_short_enough_in_each_language(name: str, units: str) -> None:
    """Four units of information at most (Gatling 1975, FHWA-RD-75-73); short: four words and two units.

    What does not fit is not said at all, so each rule is also checked to say something in both forms.
    """
    corners = load_plan("hollow_ridge").corners
    for rule_set in rule_paths():
        rules = load_rules(rule_set, name, units)
        for row in audit(rules, corners):
            short = row.form in ("short", "alternative")
            assert row.units <= (MAX_SHORT_UNITS if short else MAX_LONG_UNITS), row
            assert not short or row.words <= MAX_SHORT_WORDS, row
        for rule in (r for r in rules.rules if r.family in ("correction", "confirmation")):
            said = wordings(
                rule, CORNER, amount=12.0, cost_s=0.2, language=rules.language, system=rules.units
            )  # fmt: skip
            assert [True] == [bool(w.long and w.short and len(w.alternatives) == len(rule.alternatives)) for w in said]


@pytest.mark.parametrize(
    ("language", "units", "long"),
    [
        ("en", "metric", "turn three, brake five metres later"),
        ("en", "imperial", "turn three, brake fifteen feet later"),
        ("en", "yards", "turn three, brake five yards later"),
        ("de", "metric", "turn three, fünf Meter später bremsen"),
        ("de", "imperial", "turn three, fünfzehn Fuß später bremsen"),
    ],
)
def test_a_step_in_each_unit_stays_within_the_step_of_the_advice(language: str, units: str, long: str) -> None:
    """ "Later" never asks for more than five metres, in whatever unit it is said (1 ft = 0.3048 m, 1 yd = 0.9144 m)."""
    rules = load_rules("improving", language, units)
    rule = next(r for r in rules.rules if r.name == "brake_early")
    (wording,) = wordings(rule, CORNER, amount=27.0, language=rules.language, system=rules.units)
    assert long == wording.long
    assert rules.units.step / rules.units.per_m <= 5.0


def test_late_braking_is_answered_to_the_safe_side() -> None:
    """ "Earlier" is never less than what was measured, up to the most that is said."""
    for system in SYSTEMS.values():
        rules = load_rules("improving", "en", system)
        rule = next(r for r in rules.rules if r.name == "brake_late")
        for amount in (2.5, 6.0, 14.0, 25.0):
            (wording,) = wordings(rule, CORNER, amount=amount, system=system)
            number = next(n for n, word in sorted(ENGLISH.numbers, reverse=True) if f" {word} " in wording.long)
            assert number / system.per_m >= amount


def test_boards_and_gears_as_a_german_driver_says_them() -> None:
    """ "at" bends to before and after; numbers and ordinals are words."""
    rules = load_rules("first_laps", "de")
    said = {}
    for brake_m in (100.0, 90.0, 115.0, 50.0):
        corner = msgspec.structs.replace(CORNER, brake_m=brake_m)
        for rule in (r for r in rules.rules if r.name in ("brake_board", "gear")):
            (wording,) = wordings(rule, corner, language=rules.language)
            said[rule.name, brake_m] = wording.short
    assert ["bei hundert bremsen", "vor hundert bremsen", "nach hundert bremsen", "bei hundertfünfzig bremsen"] == [
        said["brake_board", brake_m] for brake_m in (100.0, 90.0, 115.0, 50.0)
    ]
    assert "zweiter Gang" == said["gear", 100.0]


def test_boards_in_yards_read_what_stands_on_them() -> None:
    """A board 91.4 m before the turn-in is the hundred in yards; metric and imperial keep the metric number."""
    corner = msgspec.structs.replace(CORNER, brake_m=108.56, boards_m=(91.44,))
    rule = next(r for r in load_rules("first_laps").rules if r.name == "brake_board")
    texts = [wordings(rule, corner, system=system)[0].short for system in (METRIC, IMPERIAL, YARDS)]
    assert ["brake at 91", "brake at 91", "brake at the hundred"] == texts


def test_a_wording_carries_the_place_of_its_board() -> None:
    """In any language the place comes with the text: at the board, or at the brake point before or after it."""
    for name in LANGUAGES:
        rules = load_rules("first_laps", name)
        board, gear = (next(r for r in rules.rules if r.name == x) for x in ("brake_board", "gear"))
        at, before = (
            wordings(board, msgspec.structs.replace(CORNER, brake_m=m), language=rules.language)[0].brakes_m
            for m in (103.0, 90.0)
        )
        assert (100.0, 90.0) == (at, before)
        assert math.isnan(wordings(gear, CORNER, language=rules.language)[0].brakes_m)


MISTAKES = [
    ("  brake_late.short: ", "  brake_lat.short: ", "no brake_late.short"),
    ("{distance} früher bremsen", "{distanz} früher bremsen", "{distanz}"),
    ("bei: ", "", ""),
    ("nächstes Mal\"", "{x} nächstes Mal\"", "a text with {text}"),
    ("{n} Fuß", "Fuß", "a text with {n}"),
    ("{n} Metern", "Metern", "a text with {n}"),
    ("Komma {tenth}", "Komma", "a text with {tenth}"),
    ("{minutes} null {seconds}", "null {seconds}", "a text with {minutes} and {seconds}"),
    ("{gap} schneller", "schneller", "a text with {gap}"),
    ("level: gleich schnell", "flat: gleich schnell", "'flat'"),
    ("zweieinhalb Sekunden, ", "", "4 texts"),
    ("zum dritten Mal, ", "", "5 texts"),
    ("17: siebzehn, ", "", "no 17"),
    ("language: de", "language: deutsch", "'deutsch'"),
    ("    50: [fünfzig, fünfzig]\n", "", "no 50"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "found"), [m for m in MISTAKES if m[2]])
def test_what_is_wrong_in_a_language_file_is_named(tmp_path: Path, old: str, new: str, found: str) -> None:
    """File, place, what was found and what is allowed."""
    text = language_paths()["de"].read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "own.yaml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(RulesError) as caught:
        load_language(path)
    assert str(caught.value).startswith(f"{path}:")
    assert found in str(caught.value)
    assert "expected" in str(caught.value)


def test_unknown_names_are_refused() -> None:
    """A language, units or key that is not there: what is known."""
    with pytest.raises(RulesError, match="one of de, en; found no language of that name"):
        load_language("xx")
    with pytest.raises(RulesError, match="expected one of metric, imperial, yards; found no units of that name"):
        load_rules("improving", "en", "furlongs")
    text = rule_paths()["improving"].read_text(encoding="utf-8").replace("=brake_late.short", "=brake_lat.short")
    with pytest.raises(RulesError, match=r"short: expected =brake_late.short, .*; found '=brake_lat.short'"):
        parse_rules(text.encode(), "mine.yaml")


def test_a_session_keeps_texts_instead_of_keys(tmp_path: Path) -> None:
    """A session's rules need no catalogue: they stay the same, whatever happens to the keys later."""
    for name in LANGUAGES:
        words = load_language(name)
        for rule_set, path in rule_paths().items():
            kept = tmp_path / "rules.yaml"
            kept.write_bytes(in_words(path.read_bytes(), words))
            assert '"=' not in kept.read_text(encoding="utf-8")
            assert load_rules(rule_set, name) == load_rules(kept, name)


def test_the_copy_of_a_language_in_a_session_outlives_new_keys(tmp_path: Path) -> None:
    """A key that English gained later is no mistake in a session's copy, and one in a file a person names."""
    text = language_paths()["de"].read_text(encoding="utf-8")
    path = tmp_path / "words.yaml"
    path.write_text(re.sub(r"  bump\.short:.*\n", "", text), encoding="utf-8")
    assert "de" == load_language(path, kept=True).language.code
    with pytest.raises(RulesError, match=r"no bump\.short"):
        load_language(path)
