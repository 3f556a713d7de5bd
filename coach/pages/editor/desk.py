"""The editor page's interface to the profile; the application implements it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from coach.core.track.reference import Reference
from coach.core.values import Corner, Mark
from coach.pages.traces import Traces


@dataclass(frozen=True)
class CueListRow:
    """A cue in the list: ``outcome`` spoken or held, ``mark`` the change, ``why`` in sentences."""

    id: int
    lap: int
    place_m: float
    corner: str
    text: str
    outcome: str
    reason: str
    family: str
    mark: str
    was: str
    why: str


class Desk(Protocol):
    """The current profile, its edits, and its cues on the session."""

    reference: Reference

    @property
    def file_name(self) -> str:
        """The file's path as text."""

    @property
    def circuit(self) -> str:
        """The circuit's name."""

    @property
    def corners(self) -> tuple[Corner, ...]:
        """The last valid corners, as many as ``names``."""

    @property
    def names(self) -> list[str]:
        """The corners' current names."""

    @property
    def changed(self) -> bool:
        """Whether there are unsaved changes."""

    @property
    def undo_label(self) -> str:
        """Label of the next undo."""

    @property
    def redo_label(self) -> str:
        """Label of the next redo."""

    @property
    def rule_sets(self) -> dict[str, str]:
        """Available rule sets: value -> name."""

    @property
    def mutes(self) -> list[str]:
        """Everything a corner may mute."""

    @property
    def rules_name(self) -> str:
        """The name of the cue rules in use."""

    @property
    def has_session(self) -> bool:
        """Whether there is a session to try the cues on."""

    @property
    def marks(self) -> tuple[Mark, ...]:
        """The driver's marks in the session."""

    @property
    def ran(self) -> tuple[int, float]:
        """Number of reruns of the session, and duration of the last one [s]."""

    def get(self, corner: int, *path: str | int) -> Any:
        """Return a value of a corner."""

    def problem_at(self, corner: int, *path: str | int) -> str:
        """Return the error of a field, "" if it is valid."""

    def problem_lines(self) -> list[str]:
        """Return all problems, each with the label of its field, without the file's path."""

    def room_of(self, corner: int, field: str) -> tuple[float, float]:
        """Return how far a point of a corner may move before it meets its neighbours [m]."""

    def put(self, corner: int, path: Sequence[str | int], value: Any) -> bool:
        """Set a field."""

    def suggested_m(self, corner: int) -> float:
        """Return a place for a new corner after ``corner`` [m]; raise CoachError if there is no room."""

    def add_corner(self, apex_m: float) -> int:
        """Add a corner and return its number. Raise CoachError if there is no room."""

    def remove_corner(self, corner: int) -> bool:
        """Remove a corner; return False if it is the last."""

    def undo(self) -> bool:
        """Undo an edit."""

    def redo(self) -> bool:
        """Redo an edit."""

    def changed_on_disk(self) -> bool:
        """Return whether someone else wrote the file."""

    def save(self, *, force: bool = False) -> None:
        """Write the file; raise CoachError on failure."""

    def take_from_disk(self) -> None:
        """Reload the file; raise CoachError on failure."""

    def use_rules(self, rules: str) -> None:
        """Try another rule set."""

    def rerun(self) -> None:
        """Rerun the session."""

    def keep_as_before(self) -> None:
        """Mark changes against the current cues from now on."""

    def cue_rows(self) -> list[CueListRow]:
        """Return the cues of the session."""

    def traces(self) -> Traces | None:
        """Return the session's laps; None without a session."""

    def sound(self, text: str) -> tuple[bytes, str]:
        """Return a WAV file that says ``text``, or b"" and the reason."""
