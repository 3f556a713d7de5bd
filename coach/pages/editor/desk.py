"""What the editor's page needs of the profile being edited; the application gives it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from coach.core.track.reference import Reference
from coach.core.values import Corner, Mark
from coach.pages.traces import Traces


@dataclass(frozen=True)
class CueRow:
    """A cue in the list: ``outcome`` spoken or held, ``mark`` what changed, ``why`` in sentences."""

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
    """The profile as it stands, edits to it, and its cues on the session."""

    reference: Reference

    @property
    def file_name(self) -> str:
        """The file's path as text."""

    @property
    def circuit(self) -> str:
        """The circuit's name."""

    @property
    def corners(self) -> tuple[Corner, ...]:
        """The corners as they last were valid, as many as ``names``."""

    @property
    def names(self) -> list[str]:
        """The corners' names as they stand."""

    @property
    def changed(self) -> bool:
        """Whether there is something to save."""

    @property
    def undo_label(self) -> str:
        """What undo would take back."""

    @property
    def redo_label(self) -> str:
        """What redo would bring again."""

    @property
    def rule_sets(self) -> dict[str, str]:
        """Rule sets that can be tried: value -> name."""

    @property
    def mutes(self) -> list[str]:
        """What a corner may mute."""

    @property
    def rules_name(self) -> str:
        """The name of the cue rules in use."""

    @property
    def has_session(self) -> bool:
        """Whether there is a session to try the cues on."""

    @property
    def marks(self) -> tuple[Mark, ...]:
        """The places that the driver marked in the session."""

    @property
    def ran(self) -> tuple[int, float]:
        """How many times the session was run, and how long the last run took [s]."""

    def get(self, corner: int, *path: str | int) -> Any:
        """Return a value of a corner."""

    def problem_at(self, corner: int, *path: str | int) -> str:
        """What is wrong with a field."""

    def problem_lines(self) -> list[str]:
        """Return all problems, each with the label of its field, without the file's path."""

    def room_of(self, corner: int, field: str) -> tuple[float, float]:
        """Return how far a point of a corner may move before it meets its neighbours [m]."""

    def put(self, corner: int, path: Sequence[str | int], value: Any) -> bool:
        """Set a field."""

    def suggested_m(self, corner: int) -> float:
        """Return where a corner might be added after ``corner`` [m]; raises CoachError when there is no room."""

    def add_corner(self, apex_m: float) -> int:
        """Add a corner; its number. Raises CoachError when there is no room."""

    def remove_corner(self, corner: int) -> bool:
        """Take a corner out; False when it is the last."""

    def undo(self) -> bool:
        """Take an edit back."""

    def redo(self) -> bool:
        """Bring it again."""

    def changed_on_disk(self) -> bool:
        """Return whether someone else wrote the file."""

    def save(self, *, force: bool = False) -> None:
        """Write the file; raises CoachError."""

    def take_from_disk(self) -> None:
        """Read the file again; raises CoachError."""

    def use_rules(self, rules: str) -> None:
        """Try another rule set."""

    def rerun(self) -> None:
        """Run the session again."""

    def keep_as_before(self) -> None:
        """Mark changes against the cues as they are now."""

    def cue_rows(self) -> list[CueRow]:
        """Return the cues of the session."""

    def traces(self) -> Traces | None:
        """Return the session's laps; None without a session."""

    def sound(self, text: str) -> tuple[bytes, str]:
        """Return a WAV file that says ``text``, or b"" and why there is none."""
