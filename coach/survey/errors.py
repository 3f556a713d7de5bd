"""What the survey raises.

CoachError
└── SurveyError       the recording can not be surveyed
    └── NoValidLap    laps were found, none can serve as reference
"""

from __future__ import annotations

from coach.errors import CoachError


class SurveyError(CoachError):
    """A recording can not be surveyed; the message says what was found and what is needed."""


class NoValidLap(SurveyError):  # noqa: N818  (named for what is the case, as its siblings in coach.errors' style)
    """No lap can serve as the reference; ``reasons`` holds each refused lap with its reason."""

    def __init__(self, message: str, reasons: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.reasons = reasons
