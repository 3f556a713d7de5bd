"""Problems of a file as values: line, field, what was found and what is allowed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coach.errors import DataError, ProfileError, RulesError, expected

Loc = tuple[int | str, ...]
MAX_SHOWN = 20


@dataclass(frozen=True)
class Issue:
    """A violated cross-field rule without its line; ``loc`` is relative to the model that found it."""

    loc: Loc
    found: str
    allowed: str


class CrossFieldError(ValueError):
    """Fields valid one by one but not together; carries all such issues of one model."""

    def __init__(self, issues: Sequence[Issue]) -> None:
        super().__init__("; ".join(expected(i.allowed, i.found) for i in issues))
        self.issues = tuple(issues)


@dataclass(frozen=True)
class Problem:
    """One line for the user. ``line`` counts from 1; 0 means the file as a whole."""

    path: str
    line: int
    field: str
    text: str
    loc: Loc = ()

    @property
    def place(self) -> str:
        """``path:line``, or ``path`` for the whole file."""
        return f"{self.path}:{self.line}" if self.line else self.path

    @property
    def problem(self) -> str:
        """The field and its error."""
        return f"{self.field}: {self.text}" if self.field else self.text

    def __str__(self) -> str:
        return f"{self.place}: {self.problem}"


class _FileError(DataError):
    """All problems of one file: the message has one line each, the first ``MAX_SHOWN`` of them."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        first, *rest = problems
        lines = [first.problem, *(str(p) for p in rest[: MAX_SHOWN - 1])]
        if len(problems) > MAX_SHOWN:
            lines.append(f"{first.path}: and {len(problems) - MAX_SHOWN} more problems")
        super().__init__(first.place, "\n".join(lines))


class ProfileFileError(_FileError, ProfileError):
    """All problems of a profile file."""


class RulesFileError(_FileError, RulesError):
    """All problems of a cue rule file."""


ProblemsType = type[ProfileFileError] | type[RulesFileError]
