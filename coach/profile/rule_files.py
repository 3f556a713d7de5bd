"""Rule sets on disk: read by path or, if shipped, by name; and the list of all their phrases."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path

import msgspec

from coach.core.cue.call_words import pieces
from coach.core.cue.information_units import units, words
from coach.core.cue.language import ENGLISH
from coach.core.cue.rules import RuleSet
from coach.core.cue.wording import Wording, every_wording
from coach.core.unit_system import METRIC, SYSTEMS, Units
from coach.core.values import Corner
from coach.errors import RulesError
from coach.profile.language_file import Catalogue, load_language
from coach.profile.problems import RulesFileError
from coach.profile.rule_models import RuleSetModel
from coach.profile.shipped import shipped
from coach.profile.yaml_file import YamlFile, decode, parse


class AuditRow(msgspec.Struct, frozen=True):
    """One possible text: its rule, corner, form and length."""

    rule: str
    corner: str
    form: str
    text: str
    words: int
    units: int


def read_rules(path: Path, catalogue: Catalogue | None = None) -> YamlFile[RuleSetModel]:
    """Return the rule file at ``path`` for viewing and editing; raise RulesError with line and field.

    Texts are checked in the language of ``catalogue`` (default: English).
    """
    return YamlFile.read(path, RuleSetModel, RulesFileError, {"catalogue": catalogue})


def load_rules(
    name_or_path: str | Path, language: str | Path | Catalogue = "en", units: Units | str = METRIC
) -> RuleSet:
    """Return a rule set, by path or, if shipped, by name; raise RulesError on failure.

    ``language`` is a shipped language's name or a file's path, ``units`` a key of SYSTEMS.
    """
    if isinstance(units, str) and units not in SYSTEMS:
        raise RulesError(units, f"expected one of {', '.join(SYSTEMS)}; found no units of that name")
    system = SYSTEMS[units] if isinstance(units, str) else units
    catalogue = language if isinstance(language, Catalogue) else load_language(language)
    return read_rules(shipped(name_or_path, rule_paths(), "rule set"), catalogue).model.to_rules(catalogue, system)


def parse_rules(data: bytes, path: str) -> RuleSetModel:
    """Return a rule set from the bytes of its file; ``path`` appears in messages. Raise RulesError if invalid."""
    return parse(decode(data, path, RulesFileError), path, RuleSetModel, RulesFileError)[1]


@cache
def rule_paths() -> Mapping[str, Path]:
    """Return the shipped rule files by name."""
    from profiles import folder

    return {p.stem: p for p in sorted((folder() / "rules").glob("*.yaml"))}


@cache
def shipped_rule_names() -> frozenset[str]:
    """Return the names of all shipped rules."""
    return frozenset(rule.name for path in rule_paths().values() for rule in read_rules(path).model.rules)


def audit(rules: RuleSet, corners: Iterable[Corner]) -> tuple[AuditRow, ...]:
    """Return every text of every rule at every corner, with its words and information units, each text once
    per corner.
    """
    rows: dict[tuple[str, str, str], AuditRow] = {}
    for rule, corner, form, text in _texts(rules, corners):
        if (rule, corner.name, text) not in rows:
            count = len(units(text, (corner.say or corner.name,), rules.language.lexicon))
            rows[rule, corner.name, text] = AuditRow(rule, corner.name, form, text, words(text), count)
    return tuple(rows.values())


def _texts(rules: RuleSet, corners: Iterable[Corner]) -> Iterator[tuple[str, Corner, str, str]]:
    """Yield rule, corner, form and text of every possible text."""
    for corner in corners:
        for rule in rules.rules:
            for wording in every_wording(rule, corner, rules.language, rules.units):
                yield from ((rule.name, corner, form, text) for form, text in _forms(wording))


def _forms(wording: Wording) -> Iterator[tuple[str, str]]:
    """Yield each possible text with its form."""
    texts = [("long", wording.long), ("short", wording.short)]
    texts.append(("first", wording.first))
    texts += [("alternative", text) for text in wording.alternatives]
    texts += [("named", text) for text in wording.named]
    texts += [("next time", text) for text in wording.next_time]
    texts += [("progress", wording.half_way), ("progress", wording.still)]
    yield from ((form, text) for form, text in texts if text)


def phrases(rules: RuleSet, corners: Iterable[Corner], lap_time_s: float = math.nan) -> list[str]:
    """Return every possible spoken text once, including answers to the driver; rendered before driving.

    Calls contribute their pieces; lap times only around the reference's ``lap_time_s``.
    """
    there = tuple(corners)
    calls = pieces(rules.calls, there, lap_time_s, rules.language)
    return list(
        dict.fromkeys(
            [
                *(text for _, _, _, text in _texts(rules, there)),
                *(text for _, text in (rules.language.answers or ENGLISH.answers)),
                *calls,
            ]
        )
    )
