"""Models of the corner profile file: strict, unknown fields refused."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo, model_validator

from coach.core.cue.information_units import units
from coach.core.cue.rules import FAULTS, ITEMS, MAX_LONG_UNITS
from coach.core.track.zones import LEAST_EXIT_M
from coach.core.values import MOST_APEXES, ApexKind, Caution, CautionKind, Corner, Direction, KerbUse
from coach.profile.problems import CrossFieldError, Issue

SCHEMA: Final = 1
SURVEYED_FIELDS: Final = ("brake_m", "turn_in_m", "apex_m", "more_apexes_m", "exit_m", "end_m", "gear")
"""Fields written by surveys; all others in a corner belong to the user."""
PLACES: Final = ("brake_m", "turn_in_m", "apex_m", "exit_m", "end_m")
MAX_WORDS_CHARS: Final = 80


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("printable characters on one line")
    if text != text.strip() or not text:
        raise ValueError("text without blanks at its ends")
    return text


def _sayable(text: str) -> str:
    if not any(c.isalnum() for c in text):
        raise ValueError("words that can be spoken")
    if "{" in text or "}" in text:
        raise ValueError("words without { or } (placeholders belong to the rules)")
    count = len(units(text))
    if count > MAX_LONG_UNITS:
        raise ValueError(f"at most {MAX_LONG_UNITS} units of information in one message (this has {count})")
    return text


def _file_name(text: str) -> str:
    if text in (".", "..") or any(c in text for c in '/\\:*?"<>|') or not text.endswith(".arrow"):
        raise ValueError("a plain file name ending in .arrow, in the profile's own folder")
    return text


Name = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_printable)]
Spoken = Annotated[
    str, Field(min_length=1, max_length=MAX_WORDS_CHARS), AfterValidator(_printable), AfterValidator(_sayable)
]
FileName = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_printable), AfterValidator(_file_name)]
Metres = Annotated[float, Field(ge=0, le=200_000)]
Stretch = Annotated[list[Metres], Field(min_length=2, max_length=2)]
"""Start and end along the reference [m]."""
APEXES_APART_M: Final = 5.0
"""Two apexes nearer to each other are one."""
MoreApexes = Annotated[list[Metres], Field(max_length=MOST_APEXES - 1)]
"""The other apexes of a corner that has several [m], in driving order."""
NEAR_CORNER_M: Final = 100.0
"""Largest distance of a kerb before its corner's first place or beyond its end."""
Gear = Annotated[int, Field(ge=1, le=8)]


class Strict(BaseModel):
    """Base of all file models: no coercion, no unknown fields, only finite numbers."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, frozen=True)


class Kerbs(Strict):
    """How to drive each kerb, and its start and end [m along the reference] if measured."""

    entry: KerbUse | None = None
    apex: KerbUse | None = None
    exit: KerbUse | None = None
    entry_m: Stretch | None = None
    apex_m: Stretch | None = None
    exit_m: Stretch | None = None


class CautionModel(Strict):
    """A hazard ``at_m`` metres along the reference."""

    kind: CautionKind
    at_m: Metres
    words: Spoken
    safety: bool = False


class Limits(Strict):
    """Limits that no advice may cross."""

    latest_brake_m: Metres | None = None
    widest_exit_offset_m: Annotated[float, Field(ge=0, le=50)] | None = None


class Surveyed(Strict):
    """The survey's last numbers: one that differs from its field was edited by the user."""

    brake_m: Metres | None = None
    turn_in_m: Metres | None = None
    apex_m: Metres | None = None
    more_apexes_m: MoreApexes = []
    exit_m: Metres | None = None
    end_m: Metres | None = None
    gear: Gear | None = None


class OutlineModel(Strict):
    """A surveyed corner, to recognise it once deleted from the profile."""

    direction: Direction
    turn_in_m: Metres
    apex_m: Metres
    end_m: Metres


class CornerModel(Strict):
    """One corner. Places are metres along the reference; across the finish line they continue beyond its length."""

    name: Name
    say: Spoken | None = None
    direction: Direction
    brake_m: Metres | None = None
    turn_in_m: Metres
    apex_m: Metres
    more_apexes_m: MoreApexes = []
    exit_m: Metres
    end_m: Metres
    boards: Annotated[list[Annotated[float, Field(gt=0, le=500)]], Field(max_length=8)] = []
    gear: Gear | None = None
    apex: ApexKind | None = None
    kerbs: Kerbs = Kerbs()
    cautions: Annotated[list[CautionModel], Field(max_length=12)] = []
    words: Annotated[list[Spoken], Field(max_length=12)] = []
    mute: Annotated[list[Name], Field(max_length=60)] = []
    limits: Limits = Limits()
    kept: list[Literal["brake_m", "turn_in_m", "apex_m", "more_apexes_m", "exit_m", "end_m", "gear"]] = []
    surveyed: Surveyed | None = None

    @model_validator(mode="after")
    def _together(self) -> CornerModel:
        if issues := list(self._issues()):
            raise CrossFieldError(issues)
        return self

    def _issues(self) -> Iterator[Issue]:
        places = [(n, float(getattr(self, n))) for n in PLACES if getattr(self, n) is not None]
        for (before, a), (after, b) in pairwise(places):
            if b < a:
                yield Issue((after,), f"{b:g}", f"{a:g} ({before}) or more")
        least = self.apex_m + LEAST_EXIT_M
        if self.exit_m >= self.apex_m and self.exit_m <= self.end_m < least - 1e-9:
            yield Issue(("end_m",), f"{self.end_m:g}", f"{least:g} or more: {LEAST_EXIT_M:g} m beyond apex_m")
        start = self.brake_m if self.brake_m is not None else 0.0
        latest = self.limits.latest_brake_m
        if latest is not None and not start <= latest <= self.apex_m:
            allowed = f"{start:g} ({'brake_m' if start else 'the line'}) to {self.apex_m:g} (apex_m)"
            yield Issue(("limits", "latest_brake_m"), f"{latest:g}", allowed)
        for i, (a, b) in enumerate(pairwise(self.boards)):
            if b >= a:
                yield Issue(("boards", i + 1), f"{b:g} after {a:g}", "boards from far to near, each once")
        yield from self._apex_issues()
        yield from self._kerb_issues()
        if self.boards and self.brake_m is None:
            yield Issue(("boards",), "boards without brake_m", "boards only where the corner is braked for")

    def _apex_issues(self) -> Iterator[Issue]:
        for i, place in enumerate(self.more_apexes_m):
            least = max([self.turn_in_m, *self.more_apexes_m[i - 1 : i]])
            if not least <= place <= self.end_m:
                yield Issue(("more_apexes_m", i), f"{place:g}", f"{least:g} to {self.end_m:g}: in the corner, in order")
            elif min(abs(place - other) for other in (self.apex_m, *self.more_apexes_m[:i])) < APEXES_APART_M:
                yield Issue(("more_apexes_m", i), f"{place:g}", f"{APEXES_APART_M:g} m or more from another apex")

    def _kerb_issues(self) -> Iterator[Issue]:
        low, high = max(self.start_m - NEAR_CORNER_M, 0.0), self.end_m + NEAR_CORNER_M
        for field in ("entry_m", "apex_m", "exit_m"):
            stretch = getattr(self.kerbs, field)
            if stretch is None:
                continue
            begin, end = stretch
            if not begin < end:
                yield Issue(("kerbs", field), f"[{begin:g}, {end:g}]", "begin before end")
            elif begin < low or end > high:
                yield Issue(("kerbs", field), f"[{begin:g}, {end:g}]", f"{low:g} to {high:g}: near the corner")

    @property
    def start_m(self) -> float:
        """Start of the corner: its brake point, or turn-in without braking."""
        return self.turn_in_m if self.brake_m is None else self.brake_m

    def to_corner(self) -> Corner:
        """Return the corner as the core's value."""
        nan = math.nan
        return Corner(
            name=self.name,
            say=self.say or self.name,
            direction=self.direction,
            brake_m=nan if self.brake_m is None else self.brake_m,
            turn_in_m=self.turn_in_m,
            apex_m=self.apex_m,
            more_apexes_m=tuple(self.more_apexes_m),
            exit_m=self.exit_m,
            end_m=self.end_m,
            boards_m=tuple(self.boards),
            gear=self.gear,
            apex=self.apex,
            kerb_entry=self.kerbs.entry,
            kerb_apex=self.kerbs.apex,
            kerb_exit=self.kerbs.exit,
            kerb_entry_m=tuple(self.kerbs.entry_m or ()),
            kerb_apex_m=tuple(self.kerbs.apex_m or ()),
            kerb_exit_m=tuple(self.kerbs.exit_m or ()),
            cautions=tuple(Caution(c.kind, c.at_m, c.words, c.safety) for c in self.cautions),
            words=tuple(self.words),
            muted=frozenset(self.mute),
            latest_brake_m=nan if self.limits.latest_brake_m is None else self.limits.latest_brake_m,
            widest_exit_offset_m=nan if self.limits.widest_exit_offset_m is None else self.limits.widest_exit_offset_m,
        )


class ProfileModel(Strict):
    """A circuit's profile: its reference by file name, pronunciations, its corners in driving order."""

    schema_number: Literal[1] = Field(alias="schema")
    circuit: Name
    length_m: Annotated[float, Field(gt=0, le=100_000)]
    reference: FileName = "reference.arrow"
    pronounce: dict[Name, Name] = {}
    corners: Annotated[list[CornerModel], Field(min_length=1, max_length=200)]
    last_survey: Annotated[list[OutlineModel], Field(max_length=400)] = []

    @model_validator(mode="after")
    def _together(self, info: ValidationInfo) -> ProfileModel:
        own = (info.context or {}).get("rule_names", frozenset())
        if issues := [*self._issues(), *self._mute_issues(own)]:
            raise CrossFieldError(issues)
        return self

    def _issues(self) -> Iterator[Issue]:
        seen: dict[str, int] = {}
        for i, corner in enumerate(self.corners):
            first = seen.setdefault(corner.name.casefold(), i)
            if first != i:
                yield Issue(("corners", i, "name"), f"{corner.name!r} twice", "each name once")
            yield from self._range_issues(i, corner)
            if i and corner.start_m < (end := self.corners[i - 1].end_m):
                field = "turn_in_m" if corner.brake_m is None else "brake_m"
                allowed = f"{end:g} (end_m of {self.corners[i - 1].name}) or more: corners in driving order"
                yield Issue(("corners", i, field), f"{corner.start_m:g}", allowed)
        last, first_start = self.corners[-1], self.corners[0].start_m + self.length_m
        if last.end_m > first_start:
            allowed = f"at most {first_start:g} (where the first corner begins on the next lap)"
            yield Issue(("corners", len(self.corners) - 1, "end_m"), f"{last.end_m:g}", allowed)

    def _mute_issues(self, own_rules: frozenset[str]) -> Iterator[Issue]:
        muted = [(i, k, name) for i, corner in enumerate(self.corners) for k, name in enumerate(corner.mute)]
        known = known_mutes() | own_rules if muted else frozenset()
        for i, k, name in muted:
            if name not in known:
                allowed = "the name of a rule, fault or item: " + ", ".join(sorted(known))
                yield Issue(("corners", i, "mute", k), repr(name), allowed)

    def _range_issues(self, i: int, corner: CornerModel) -> Iterator[Issue]:
        if corner.start_m >= self.length_m:
            field = "turn_in_m" if corner.brake_m is None else "brake_m"
            yield Issue(("corners", i, field), f"{corner.start_m:g}", f"less than {self.length_m:g} (length_m)")
        most = max(self.length_m, corner.end_m)
        for k, caution in enumerate(corner.cautions):
            if caution.at_m > most:
                yield Issue(("corners", i, "cautions", k, "at_m"), f"{caution.at_m:g}", f"at most {most:g}")

    def to_corners(self) -> tuple[Corner, ...]:
        """Return the corners as the core's values."""
        return tuple(c.to_corner() for c in self.corners)


def known_mutes() -> frozenset[str]:
    """Return the names ``mute`` accepts: faults, items and shipped rules."""
    from coach.profile.rule_files import (
        shipped_rule_names,  # imported imported imported late: rule files use Strict of this module
    )

    return frozenset(FAULTS) | frozenset(ITEMS) | shipped_rule_names()
