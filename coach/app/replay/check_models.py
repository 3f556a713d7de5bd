"""Hand-written expectations about a session (YAML beside the session)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field, model_validator

from coach.core.values import Fault
from coach.profile.models import Name, Strict
from coach.profile.problems import CrossFieldError, Issue, RulesFileError

KINDS: Final = ("spoken", "silent", "most_a_lap", "found", "not_found", "same_as")


class ExpectationsFileError(RulesFileError):
    """All errors of a file of expectations."""


def _laps(text: str | int) -> str | int:
    first, _, last = str(text).partition("-")
    if not (first.isdigit() and (not last or (last.isdigit() and int(first) <= int(last)))):
        raise ValueError("a lap or a range of laps, such as 3 or 2-4")
    return text


Laps = Annotated[str | int, AfterValidator(_laps)]
FileName = Annotated[str, Field(min_length=1, max_length=100, pattern=r"^[\w.-]+$")]


class Expectation(Strict):
    """One expectation; exactly one of KINDS defines it.

    ``spoken`` and ``silent`` take words that are part of the text, or a rule's name; ``silent: anything`` means no cue
    at all. ``spoken`` holds if it was said at least ``times`` times in the given laps (default: all).
    """

    corner: Name | None = None
    laps: Laps | None = None
    spoken: Name | None = None
    silent: Name | None = None
    most_a_lap: Annotated[int, Field(ge=0, le=100)] | None = None
    found: Fault | None = None
    not_found: Fault | None = None
    same_as: FileName | None = None
    times: Annotated[int, Field(ge=1, le=1000)] = 1

    @model_validator(mode="after")
    def _together(self) -> Expectation:
        if issues := list(self._issues()):
            raise CrossFieldError(issues)
        return self

    def _issues(self) -> Iterator[Issue]:
        given = [kind for kind in KINDS if getattr(self, kind) is not None]
        if len(given) != 1:
            found = " and ".join(given) if given else "none of them"
            yield Issue((given[1] if len(given) > 1 else "spoken",), found, "exactly one of " + ", ".join(KINDS))
        elif self.times != 1 and given[0] not in ("spoken", "found"):
            yield Issue(("times",), f"times with {given[0]}", "times with spoken or found")
        elif given[0] == "same_as" and (self.corner or self.laps):
            yield Issue(("same_as",), "corner or laps with same_as", "the whole log")

    @property
    def lap_range(self) -> tuple[int, int]:
        """First and last lap."""
        if self.laps is None:
            return 0, 10**9
        first, _, last = str(self.laps).partition("-")
        return int(first), int(last or first)


class ExpectationsModel(Strict):
    """A file of expectations for one session; ``profile`` and ``rules`` replace the recorded ones."""

    schema_number: Literal[1] = Field(alias="schema")
    profile: Name | None = None
    rules: Name | None = None
    expect: Annotated[list[Expectation], Field(min_length=1, max_length=500)]
