"""Language files: every spoken text by key, numbers, boards and ordinals, validated against English."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Final, Literal

import msgspec
from pydantic import Field, ValidationInfo, model_validator

from coach.core.cue.information_units import Lexicon
from coach.core.cue.language import ENGLISH, Language
from coach.core.cue.wording import placeholders
from coach.profile.models import Name, Strict
from coach.profile.problems import CrossFieldError, Issue, RulesFileError
from coach.profile.shipped import shipped
from coach.profile.yaml_file import YamlFile

Text = Annotated[str, Field(min_length=1, max_length=120)]
TwoForms = Annotated[list[Text], Field(min_length=2, max_length=2)]
_ADDED: Final = ("answers", "goals", "totals", "lap_time", "gaps", "first_laps")
_LENGTHS: Final = dict.fromkeys(("metres", "feet", "yards"), ("n",))
_SLOTS: Final[Mapping[str, Mapping[str, tuple[str, ...]]]] = {
    "lengths": _LENGTHS,
    "totals": _LENGTHS,
    "goals": {"board": ("board",)},
    "first_laps": {"more": ("count",)},
    "gaps": {"up": ("gap",), "down": ("gap",)},
    "lap_time": {
        "seconds": ("minutes", "seconds"),
        "few seconds": ("minutes", "seconds"),
        "no seconds": ("minutes",),
        "tenth": ("tenth",),
    },
}
"""Field of ``spoken`` -> key -> the placeholders of its text."""
KEY_MARK: Final = "="
"""Prefix of a rule's text that is a key of the language file."""


class Catalogue(msgspec.Struct, frozen=True):
    """A loaded language file: texts by key, the core's fill-ins, names of matching voices, written -> spoken words."""

    language: Language
    name: str
    voices: tuple[str, ...]
    texts: Mapping[str, str]
    pronounce: Mapping[str, str] = {}

    def resolve(self, text: str) -> str:
        """Return ``text``, or the text of its key when it begins with "="; raise KeyError for an unknown key."""
        return self.texts[text[1:]] if text.startswith(KEY_MARK) else text


class SpokenModel(Strict):
    """The fields of ``coach.core.cue.language.Language`` as in a file."""

    numbers: dict[int, Text]
    tenths: Annotated[list[Text], Field(min_length=10, max_length=10)]
    ordinals: Annotated[list[Text], Field(min_length=8, max_length=8)]
    boards: dict[int, TwoForms]
    sides: dict[Literal["at", "before", "after"], Text]
    lengths: dict[Literal["metres", "feet", "yards"], Text]
    apexes: dict[Literal["early", "mid", "late"], Text]
    directions: dict[Literal["left", "right"], Text]
    kerbs: dict[str, TwoForms]
    slopes: dict[Literal["downhill", "uphill"], TwoForms]
    next_time: Text
    half_way: Text
    still: str = ""
    answers: dict[Literal["quiet_lap", "mark", "right", "right short", "no rule"], Text] = Field(default_factory=dict)
    goals: dict[Literal["board", "kerb", "entry kerb", "exit kerb"], Text] = Field(default_factory=dict)
    totals: dict[Literal["metres", "feet", "yards"], Text] = Field(default_factory=dict)
    first_laps: dict[Literal["more", "one more", "saved", "known"], Text] = Field(default_factory=dict)
    lap_time: dict[Literal["seconds", "few seconds", "no seconds", "tenth"], Text] = Field(default_factory=dict)
    gaps: dict[Literal["up", "down", "level"], Text] = Field(default_factory=dict)
    half_seconds: list[Text] = Field(default_factory=list)
    counts: list[Text] = Field(default_factory=list)

    @model_validator(mode="after")
    def _complete(self, info: ValidationInfo) -> SpokenModel:
        issues = [] if _kept(info) else list(self._issues())
        if issues:
            raise CrossFieldError(issues)
        return self

    def _issues(self) -> Iterator[Issue]:
        for field in ("numbers", "boards", "sides", "lengths", "apexes", "directions", "kerbs", "slopes", *_ADDED):
            need = [entry[0] for entry in getattr(ENGLISH, field)]
            have = getattr(self, field)
            for key in need:
                if key not in have:
                    yield Issue((field,), f"no {key}", f"each of {', '.join(map(str, need))}")
            for key in have:
                if key not in need:
                    yield Issue((field, key), str(key), ", ".join(map(str, need)))
        for field in ("half_seconds", "counts"):
            if (count := len(getattr(self, field))) != len(getattr(ENGLISH, field)):
                yield Issue((field,), f"{count} texts", f"{len(getattr(ENGLISH, field))} texts")
        for loc, text, slots in self._with_slots():
            if sorted(placeholders(text)) != sorted(slots):
                yield Issue(loc, repr(text), "a text with " + " and ".join(f"{{{slot}}}" for slot in slots))

    def _with_slots(self) -> Iterator[tuple[tuple[str, ...], str, tuple[str, ...]]]:
        """Yield each text with placeholders: its place, itself, the names it must hold."""
        yield ("next_time",), self.next_time, ("text",)
        yield ("half_way",), self.half_way, ("corner",)
        if self.still:
            yield ("still",), self.still, ("corner", "step", "total")
        for field, slots in _SLOTS.items():
            table = getattr(self, field)
            for key in slots.keys() & table.keys():
                yield (field, key), table[key], slots[key]


class LanguageModel(Strict):
    """A language file. It must have English's keys, each with the same placeholders."""

    schema_number: Literal[1] = Field(alias="schema")
    language: Annotated[str, Field(pattern=r"^[a-z]{2,3}$")]
    name: Name
    voices: Annotated[list[Name], Field(max_length=20)]
    texts: dict[str, Text]
    spoken: SpokenModel
    units: dict[str, list[Text]] = Field(default_factory=dict)
    fillers: list[Text] = Field(default_factory=list)
    pronounce: dict[Text, Text] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _together(self, info: ValidationInfo) -> LanguageModel:
        issues = [] if _kept(info) else list(self._issues())
        if issues:
            raise CrossFieldError(issues)
        return self

    def _issues(self) -> Iterator[Issue]:
        if self.language == ENGLISH.code:
            return
        if not self.units:
            yield Issue(("units",), "nothing", "what counts one unit of information in this language")
        english = load_language("en").texts
        for key in english:
            if key not in self.texts:
                yield Issue(("texts",), f"no {key}", "every key of English")
        for key, text in self.texts.items():
            if key not in english:
                yield Issue(("texts", key), "an unknown key", "the keys of English")
            elif sorted(placeholders(text)) != sorted(placeholders(english[key])):
                names = ", ".join(f"{{{n}}}" for n in placeholders(english[key])) or "no placeholder"
                yield Issue(("texts", key), repr(text), names)

    def to_catalogue(self) -> Catalogue:
        """Return the file as a Catalogue."""
        values: dict[str, Any] = {}
        for field in ("numbers", "sides", "lengths", "apexes", "directions", *_ADDED):
            values[field] = tuple(getattr(self.spoken, field).items())
        for field in ("boards", "kerbs", "slopes"):
            values[field] = tuple((key, *two) for key, two in getattr(self.spoken, field).items())
        for field in ("tenths", "ordinals", "half_seconds", "counts"):
            values[field] = tuple(getattr(self.spoken, field))
        language = Language(
            code=self.language,
            next_time=self.spoken.next_time,
            half_way=self.spoken.half_way,
            still=self.spoken.still,
            **values,
        )
        if self.units:
            language = msgspec.structs.replace(language, lexicon=self._lexicon(language))
        return Catalogue(language, self.name, tuple(self.voices), self.texts, self.pronounce)

    def _lexicon(self, language: Language) -> Lexicon:
        number = "|".join([r"\d+", *(_pattern(text) for _, text in language.numbers)])
        of_units = {text.replace("{n}", "").strip() for _, text in (*language.totals, *language.lengths)}
        lengths = "|".join(map(_pattern, sorted(of_units, key=len, reverse=True)))
        boards = "|".join([r"\d+", *{_pattern(text) for _, *two in language.boards for text in two}])
        entries = [
            ("quantity", rf"(?:{number})(?: (?:{lengths}))?"),
            ("quantity", "|".join(map(_pattern, language.tenths))),
            ("place", boards),
            ("gear", "|".join(rf"{_pattern(text)}(?: \w+)?" for text in language.ordinals)),
        ]
        entries += [(kind, "|".join(map(_pattern, texts))) for kind, texts in self.units.items()]
        return Lexicon(tuple(entries), frozenset(text.lower() for text in self.fillers))


def load_language(name_or_path: str | Path, kept: bool = False) -> Catalogue:
    """Return a shipped language by name, or one by its path; raise RulesError on failure.

    ``kept``: a copy in a session, which may lack keys of a later version.
    """
    path = shipped(name_or_path, language_paths(), "language")
    stat = path.stat()
    return _load(path, kept, stat.st_mtime_ns, stat.st_size)


@cache
def _load(path: Path, kept: bool, _changed: int, _size: int) -> Catalogue:
    return YamlFile.read(path, LanguageModel, RulesFileError, {"kept": kept}).model.to_catalogue()


def in_words(rules_file: bytes, catalogue: Catalogue) -> bytes:
    """Return a rule file with texts in place of their keys, so that a session needs no language file."""

    def one(found: re.Match[str]) -> str:
        text = catalogue.texts.get(found[2])
        return found[0] if text is None else json.dumps(text, ensure_ascii=False)

    text = rules_file.decode("utf-8", "surrogateescape")
    return re.sub(r"""(["']?)=([\w.]+)\1""", one, text).encode("utf-8", "surrogateescape")


def _kept(info: ValidationInfo) -> bool:
    return bool((info.context or {}).get("kept"))


@cache
def language_paths() -> Mapping[str, Path]:
    """Return the shipped language files by name."""
    from profiles import folder

    return {p.stem: p for p in sorted((folder() / "words").glob("*.yaml"))}


def _pattern(text: str) -> str:
    return re.escape(text.lower()).replace(r"\*", r"\w*")
