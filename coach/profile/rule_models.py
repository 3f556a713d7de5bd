"""Models of cue rule files, with all checks of a rule before it may speak."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from typing import Annotated, Final, Literal, get_args

import msgspec
from pydantic import AfterValidator, Field, ValidationInfo, model_validator

from coach.core.cue.call_words import PLACEHOLDERS, not_alone
from coach.core.cue.information_units import units, words
from coach.core.cue.language import Language
from coach.core.cue.rules import (
    CALLS,
    FAULTS,
    MAX_LONG_UNITS,
    MAX_SHORT_UNITS,
    MAX_SHORT_WORDS,
    CueRule,
    Level,
    RuleSet,
    Slot,
)
from coach.core.cue.wording import allowed_placeholders, placeholders
from coach.core.unit_system import METRIC, Units
from coach.core.values import CautionKind
from coach.profile.language_file import KEY_MARK, Catalogue, load_language
from coach.profile.models import Name, Strict
from coach.profile.problems import CrossFieldError, Issue

SLOTS: Final[dict[str, tuple[str, ...]]] = {
    "reminder": ("approach",),
    "correction": ("approach", "exit", "straight"),
    "confirmation": ("exit", "straight"),
    "caution": ("approach",),
    "call": ("exit", "line", "pit"),
}
RuleFamily = Literal["reminder", "correction", "caution", "confirmation", "call"]
CALL_SLOTS: Final = {
    **dict.fromkeys(("limits", "unsteady", "mark", "another_car", "grip_down", "grip_up", "usual"), "exit"),
    **dict.fromkeys(("better", "next"), "pit"),
}
"""Where a call is spoken; all others at the line."""
CAUTION_ITEMS: Final[tuple[str, ...]] = get_args(CautionKind)
REMINDER_ITEMS: Final = (
    "brake_board", "gear", "apex", "kerb_entry", "kerb_apex", "kerb_exit", "gradient", "words",
)  # fmt: skip
ABOUT: Final = {
    "reminder": REMINDER_ITEMS,
    "correction": FAULTS,
    "confirmation": FAULTS,
    "caution": CAUTION_ITEMS,
    "call": CALLS,
}
CORNER: Final = "hairpin"
"""Stand-in for a corner's name when checking a template's length: one unit, regardless of its words."""


def _braces(text: str) -> str:
    bare = text
    for name in placeholders(text):
        bare = bare.replace(f"{{{name}}}", "x", 1)
    if "{" in bare or "}" in bare:
        raise ValueError("placeholders as {name}, each brace closed")
    if not any(c.isalnum() for c in bare):
        raise ValueError("words that can be spoken")
    return text


def _rule_name(text: str) -> str:
    if not (text.replace("_", "").isalnum() and text.isascii() and text == text.lower()):
        raise ValueError("lower-case letters, digits and _")
    return text


RuleName = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_rule_name)]
Template = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(_braces)]
LongTemplate = Annotated[str, Field(min_length=1, max_length=120), AfterValidator(_braces)]
Laps = Annotated[int, Field(ge=1, le=20)]


class RuleModel(Strict):
    """One rule; the fields mean what they mean in ``coach.core.cue.rules.CueRule``."""

    name: RuleName
    family: RuleFamily
    about: str
    slot: Slot
    long: LongTemplate
    short: Template
    priority: Annotated[int, Field(ge=0, le=100)] = 50
    min_amount: Annotated[float, Field(ge=0, le=1000)] = 0.0
    min_cost_s: Annotated[float, Field(ge=0, le=60)] = 0.0
    seen: Laps = 1
    of_last: Laps = 1
    cooldown_laps: Annotated[int, Field(ge=0, le=50)] = 0
    levels: list[Level] = Field(default_factory=lambda: list(get_args(Level)), min_length=1)
    safety: bool = False
    alternatives: list[Template] = Field(default_factory=list, max_length=5)
    first: list[LongTemplate] = Field(default_factory=list, max_length=3)
    opposes: list[RuleName] = Field(default_factory=list, max_length=5)
    on: bool = True
    """Whether the rule is active; an inactive one stays in the file for switching on."""

    @model_validator(mode="after")
    def _together(self, info: ValidationInfo) -> RuleModel:
        if issues := list(self._issues(_catalogue(info))):
            raise CrossFieldError(issues)
        return self

    def _issues(self, words_of: Catalogue) -> Iterator[Issue]:
        if self.about not in ABOUT[self.family]:
            allowed = f"for a {self.family}: " + ", ".join(ABOUT[self.family])
            yield Issue(("about",), repr(self.about), allowed)
            return  # the placeholders depend on it
        if self.family == "call":
            yield from self._call_issues(words_of)
            return
        if self.slot not in SLOTS[self.family]:
            yield Issue(("slot",), f"{self.slot} for a {self.family}", " or ".join(SLOTS[self.family]))
        if self.seen > self.of_last:
            yield Issue(("seen",), f"{self.seen} of the last {self.of_last}", f"at most {self.of_last} (of_last)")
        if self.safety and self.family != "caution":
            yield Issue(("safety",), f"true for a {self.family}", "true only for cautions")
        if self.family in ("reminder", "caution"):
            for field in ("min_amount", "min_cost_s"):
                if getattr(self, field):
                    yield Issue((field,), f"a threshold for a {self.family}", "0: it answers no finding")
        yield from self._text_issues(("long",), self.long, words_of, short=False)
        yield from self._text_issues(("short",), self.short, words_of, short=True)
        for i, text in enumerate(self.alternatives):
            yield from self._text_issues(("alternatives", i), text, words_of, short=True)
        for i, text in enumerate(self.first):
            yield from self._text_issues(("first", i), text, words_of, short=False)
        if self.first and self.family != "correction":
            yield Issue(("first",), f"first for a {self.family}", "none: only a correction has a size")

    def _call_issues(self, words_of: Catalogue) -> Iterator[Issue]:
        """Yield the issues of a call, which reads numbers and needs no immediate action."""
        slot = CALL_SLOTS.get(self.about, "line")
        if self.slot != slot:
            yield Issue(("slot",), f"{self.slot} for a call about {self.about}", slot)
        for field in ("min_amount", "min_cost_s", "safety", "alternatives", "first"):
            if getattr(self, field):
                yield Issue((field,), f"{field} for a call", "none: a call answers no finding")
        known = PLACEHOLDERS[self.about]
        for field in ("long", "short"):
            text = getattr(self, field)
            if (issue := _unknown_key((field,), text, words_of)) is not None:
                yield issue
                continue
            text = words_of.resolve(text)
            for name in placeholders(text):
                if name not in known:
                    allowed = ", ".join(f"{{{n}}}" for n in sorted(known)) + f" about {self.about}"
                    yield Issue((field,), f"{{{name}}}", allowed)
            for name in not_alone(text):
                yield Issue((field,), f"{{{name}}} beside other words in {text!r}", f"{{{name}}} alone between commas")

    def _text_issues(
        self, loc: tuple[str | int, ...], text: str, words_of: Catalogue, *, short: bool
    ) -> Iterator[Issue]:
        if (issue := _unknown_key(loc, text, words_of)) is not None:
            yield issue
            return
        text = words_of.resolve(text)
        known = allowed_placeholders(self.about, self.family, loc[0] == "first")
        unknown = [name for name in placeholders(text) if name not in known]
        for name in unknown:
            yield Issue(loc, f"{{{name}}}", ", ".join(f"{{{n}}}" for n in sorted(known)) + f" about {self.about}")
        if unknown:
            return
        # the profile checks own words, and a form they do not fit is not spoken
        sample = text if text == "{words}" else _sample(text, words_of.language)
        form, most = ("short", MAX_SHORT_UNITS) if short else ("long", MAX_LONG_UNITS)
        if short and (count := words(sample)) > MAX_SHORT_WORDS:
            yield Issue(loc, f"{count} words in {text!r}", f"{MAX_SHORT_WORDS} in the short form")
        elif (count := len(units(sample, [CORNER], words_of.language.lexicon))) > most:
            yield Issue(loc, f"{count} units of information in {text!r}", f"{most} in the {form} form")

    def to_rule(self, catalogue: Catalogue | None = None) -> CueRule:
        """Return the rule as the core's value, with keys resolved by ``catalogue`` (default: English)."""
        resolve = (catalogue or load_language("en")).resolve
        values = self.model_dump()
        values["long"], values["short"] = resolve(self.long), resolve(self.short)
        values["levels"] = frozenset(self.levels)
        values["alternatives"] = tuple(map(resolve, self.alternatives))
        values["first"] = tuple(map(resolve, self.first))
        values["opposes"] = tuple(self.opposes)
        del values["on"]
        return CueRule(**values)


class RuleSetModel(Strict):
    """A rule file: rules used together and their shared budget."""

    schema_number: Literal[1] = Field(alias="schema")
    name: Name
    level: Level
    cues_per_lap: Annotated[int, Field(ge=0, le=40)] = 6
    corners_in_work: Annotated[int, Field(ge=1, le=10)] = 2
    margin_new_s: Annotated[float, Field(ge=1.25, le=10)] = 1.25
    margin_rehearsed_s: Annotated[float, Field(ge=0.75, le=10)] = 0.75
    cure_passes: Laps = 3
    retire_passes: Laps = 5
    rearm_passes: Laps = 2
    luck: Annotated[float, Field(gt=0, le=1)] = 0.05
    rules: Annotated[list[RuleModel], Field(min_length=1, max_length=200)]

    @model_validator(mode="after")
    def _together(self) -> RuleSetModel:
        issues = []
        names: set[str] = set()
        for i, rule in enumerate(self.rules):
            if rule.name in names:
                issues.append(Issue(("rules", i, "name"), f"{rule.name!r} twice", "each name once"))
            names.add(rule.name)
        if self.margin_new_s < self.margin_rehearsed_s:
            allowed = f"at least {self.margin_rehearsed_s:g} (margin_rehearsed_s)"
            issues.append(Issue(("margin_new_s",), f"{self.margin_new_s:g}", allowed))
        if issues:
            raise CrossFieldError(issues)
        return self

    def to_rules(self, catalogue: Catalogue | None = None, system: Units = METRIC) -> RuleSet:
        """Return the rule set as the core's value, in the language of ``catalogue`` (default: English) and in
        ``system``.
        """
        spoken = catalogue or load_language("en")
        values = {n: getattr(self, n) for n in type(self).model_fields if n not in ("schema_number", "rules")}
        rules = [r.to_rule(spoken) for r in self.rules if r.on]
        if not spoken.language.totals or system is not METRIC:
            # a text with its own unit ("of {way} metres") holds in metres only, like a session's older language file
            rules = [msgspec.structs.replace(r, first=tuple(t for t in r.first if "{way}" not in t)) for r in rules]
        own = tuple(r for r in rules if r.family != "call")
        # a session's copy of an older language file has no lap times
        calls = tuple(r for r in rules if r.family == "call" and spoken.language.lap_time)
        return RuleSet(rules=own, calls=calls, language=spoken.language, units=system, **values)


def _samples(language: Language) -> dict[str, str]:
    """Return stand-ins for placeholders when checking a template's length."""
    board = language.board(100, "long")
    return {
        "corner": CORNER, "board": board, "gear": language.ordinal(2), "metres": language.number(5),
        "distance": language.length(5, "metres"), "tenths": language.tenths[1], "apex": language.apex("late"),
        "kerb": language.kerb("exit", "use", "long"), "words": board,
        "way": language.number(15), "step": language.number(5), "total": language.total(15, "metres"),
        "goal": language.goal("board", board),
    }  # fmt: skip


def _sample(template: str, language: Language) -> str:
    for name, value in _samples(language).items():
        template = template.replace(f"{{{name}}}", value)
    return template


def _unknown_key(loc: tuple[str | int, ...], text: str, words_of: Catalogue) -> Issue | None:
    texts = words_of.texts
    if not text.startswith(KEY_MARK) or text[1:] in texts:
        return None
    near = difflib.get_close_matches(text[1:], texts, 3, 0.5) or list(texts)[:3]
    allowed = ", ".join(f"={key}" for key in near) + ", other keys of profiles/words/en.yaml, or the text"
    return Issue(loc, repr(text), allowed)


def _catalogue(info: ValidationInfo) -> Catalogue:
    """Return the language for reading the file, by default English."""
    return (info.context or {}).get("catalogue") or load_language("en")
