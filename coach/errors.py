"""The coach's own exceptions; each message is ready for the user.

    CoachError            ours: the command line prints it on one line and ends with exit code 2
    ├── DataError         a file is wrong: names file, line, field, what was found, what is allowed
    │   ├── ProfileError  a corner profile or its reference
    │   ├── RulesError    a cue rule file
    │   └── SessionError  a recorded session
    └── OutputError       a voice, display or bus is unusable (the run continues without it)

Library errors (OSError, zmq.ZMQError, ...) are converted to one of these where they occur. Feed exceptions are in
``feeds.errors``; the command line treats both alike.
"""

from __future__ import annotations

from feeds.wrong_value import expected as expected


class CoachError(Exception):
    """Anything a user can fix; the message is complete and fits on one line."""


class DataError(CoachError):
    """A file is wrong.

    ``place`` is ``path:line`` or ``path``, for editors; ``problem`` says what was found and what is allowed.
    """

    def __init__(self, place: str, problem: str) -> None:
        super().__init__(f"{place}: {problem}")
        self.place = place
        self.problem = problem


class ProfileError(DataError):
    """A corner profile, or the reference that goes with it, is wrong."""


class RulesError(DataError):
    """A cue rule file is wrong."""


class SessionError(DataError):
    """A recorded session is wrong."""


class OutputError(CoachError):
    """An output is unusable; the run continues without it."""
