"""Exceptions of the survey.

CoachError
└── SurveyError       the recording cannot be surveyed
    └── NoValidLap    none of the laps can serve as reference
"""

from __future__ import annotations

from coach.errors import CoachError


class SurveyError(CoachError):
    """A recording cannot be surveyed; the message says what was found and what is needed."""


class NoValidLap(SurveyError):  # noqa: N818  (named after the condition, like its siblings in coach.errors)
    """No lap can serve as the reference; ``reasons`` holds each refused lap with its reason."""

    def __init__(self, message: str, reasons: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.reasons = reasons
