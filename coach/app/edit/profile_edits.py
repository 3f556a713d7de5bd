"""A profile in editing: validates every change like the file, with undo."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from ruamel.yaml.comments import CommentedMap, CommentedSeq

from coach.app.edit import new_corner
from coach.core.track.reference import Reference
from coach.core.values import Corner
from coach.errors import ProfileError
from coach.profile.corner_map import corner_map, flowing, free_name, place_key
from coach.profile.models import ProfileModel
from coach.profile.problems import Problem, ProfileFileError
from coach.profile.reference_file import read_reference
from coach.profile.splice import without_entry
from coach.profile.store import agree, own_copy, profile_path, read_profile
from coach.profile.yaml_file import YamlFile
from coach.profile.yaml_tree import read_tree


def same(old: Any, new: Any) -> bool:
    """Return whether two values of a file are equal; true is not 1."""
    if isinstance(old, list) and isinstance(new, list):
        return len(old) == len(new) and all(map(same, old, new))
    if isinstance(old, dict) and isinstance(new, dict):
        return old.keys() == new.keys() and all(same(old[k], new[k]) for k in old)
    return bool(old == new) and isinstance(old, bool) == isinstance(new, bool)


def put(corner: CommentedMap, path: Sequence[str | int], value: Any) -> None:
    """Set a field of a corner; None or an empty list removes it."""
    head, *rest = path
    if not rest:
        assert isinstance(head, str)
        _put_field(corner, head, value)
        return
    inner = corner.get(head)
    if not isinstance(inner, dict):
        inner = flowing({})
        place_key(corner, str(head), inner)
    if value is None or value == []:
        inner.pop(rest[0], None)
        if not inner:
            corner.pop(head)
    else:
        inner[rest[0]] = _listed(value) if isinstance(value, list) else value


def _put_field(corner: CommentedMap, name: str, value: Any) -> None:
    old = corner.get(name)
    if isinstance(value, list) and not value:
        value = None
    if isinstance(value, list):
        if isinstance(old, CommentedSeq):
            _refill(old, value)
            return
        value = _listed(value)
    place_key(corner, name, value)


def _listed(value: list[Any]) -> CommentedSeq:
    """Return a list of the file; on one line unless it holds maps."""
    fresh = CommentedSeq(map(flowing, value))
    if all(not isinstance(v, dict) for v in value):
        fresh.fa.set_flow_style()
    return fresh


def _refill(old: CommentedSeq, value: list[Any]) -> None:
    """Update a list; unchanged entries keep their comments and formatting."""
    for i, item in enumerate(value):
        if i >= len(old):
            old.append(flowing(item))
        elif isinstance(item, dict) and isinstance(old[i], dict):
            for key in [k for k in old[i] if k not in item]:
                del old[i][key]
            for key, v in item.items():
                if not same(old[i].get(key), v):
                    old[i][key] = v
        elif not same(old[i], item):
            old[i] = flowing(item)
    del old[len(value) :]


SAME_EDIT_S: Final = 2.0
"""Edits of one field within this time form one undo step [s]."""
Loc = tuple[str | int, ...]


@dataclass(frozen=True)
class _Step:
    """The whole file before an edit, and its last valid corners."""

    label: str
    text: str
    corners: tuple[Corner, ...]


class ProfileEdits:
    """One profile file and its edits.

    Nothing is written before ``save``. The constructor and ``save`` raise ProfileError.
    """

    def __init__(self, profile: str | Path) -> None:
        self.file: YamlFile[ProfileModel] = read_profile(profile_path(profile))
        self.reference: Reference = read_reference(self.file.path.parent / self.file.model.reference)
        agree(self.file, self.reference)
        self.corners: tuple[Corner, ...] = self.file.model.to_corners()
        """The corners as they last were valid; as many as the file has."""
        self.problems: tuple[Problem, ...] = ()
        self._undo: list[_Step] = []
        self._redo: list[_Step] = []
        self._last: tuple[Loc, float] = ((), float("-inf"))
        self._text = self._saved = self.file.rendered()

    # state for display

    @property
    def path(self) -> Path:
        """The edited file."""
        return self.file.path

    @property
    def circuit(self) -> str:
        """The circuit's current name."""
        return str(self.file.tree.get("circuit", ""))

    @property
    def names(self) -> list[str]:
        """The corners' current names, valid or not."""
        return [str(c.get("name", "")) for c in self.file.tree["corners"]]

    @property
    def changed(self) -> bool:
        """Whether there are unsaved changes."""
        return self._text != self._saved

    def get(self, corner: int, *path: str | int) -> Any:
        """Return the current value of a corner's field; None if the file has none."""
        node: Any = self.file.tree["corners"][corner]
        for part in path:
            if isinstance(part, str):
                node = node.get(part) if isinstance(node, dict) else None
            else:
                node = node[part] if isinstance(node, list) and part < len(node) else None
            if node is None:
                return None
        return node

    def problem_at(self, corner: int, *path: str | int) -> str:
        """Return the error of a corner's field, "" if it is valid."""
        wanted = ("corners", corner, *path)
        return "; ".join(p.text for p in self.problems if p.loc[: len(wanted)] == wanted)

    # edits

    def put(self, corner: int, path: Sequence[str | int], value: Any) -> bool:
        """Set a field of a corner (None removes it) and return whether that changed anything. Check ``problems``
        afterwards.
        """
        if same(self.get(corner, *path), value):
            return False
        loc = (corner, *path)
        now = time.monotonic()
        if self._last[0] != loc or now - self._last[1] > SAME_EDIT_S or not self._undo:
            name = self.names[corner]
            self._undo.append(self._now(f"{path[0]} of {name}"))
        self._redo.clear()
        self._last = (loc, now)
        put(self.file.tree["corners"][corner], path, value)
        self._check()
        return True

    def suggested_m(self, corner: int) -> float:
        """Return a place for a new corner after ``corner`` [m]; raise NoRoomError if there is none."""
        return new_corner.suggested(self.corners, corner, self.reference)

    def add_corner(self, apex_m: float) -> int:
        """Add a corner around ``apex_m`` [m] from the reference and return its number. Raise NoRoomError if there is
        none.
        """
        taken = {name.casefold() for name in self.names}
        made = new_corner.made(self.corners, apex_m, free_name(new_corner.NAME, taken), self.reference)
        step = self._now(f"adding {made.name}")
        node = corner_map(made)
        node.pop("surveyed")  # not from a survey
        at = sum(c.turn_in_m < made.turn_in_m for c in self.corners)
        self.file.tree["corners"].insert(at, node)
        self._structure(step, self.file.rendered(), (*self.corners[:at], made, *self.corners[at:]))
        return at

    def remove_corner(self, corner: int) -> bool:
        """Remove a corner with the comment above it; return False for the last one, as a profile needs one."""
        if len(self.names) < 2:
            return False
        step = self._now(f"deleting {self.names[corner]}")
        text = without_entry(self._text, "corners", corner)
        self._structure(step, text, self.corners[:corner] + self.corners[corner + 1 :])
        return True

    def _structure(self, step: _Step, text: str, corners: tuple[Corner, ...]) -> None:
        self._undo.append(step)
        self._redo.clear()
        self._stand_on(text, corners)

    def _now(self, label: str) -> _Step:
        return _Step(label, self._text, self.corners)

    def _stand_on(self, text: str, corners: tuple[Corner, ...]) -> None:
        """Continue from ``text``, parsed again: a written tree cannot be copied without losing comments."""
        tree = read_tree(text.removeprefix("\ufeff"), str(self.path))
        assert not isinstance(tree, Problem)  # we wrote it
        self.file.text, self.file.tree, self.corners = text, tree, corners
        self._last = ((), float("-inf"))
        self._check()

    def _check(self) -> None:
        """Validate the tree; ``problems`` holds its errors, and the last valid corners stay in use."""
        try:
            try:
                self.file.check()
            finally:
                self._text = self.file.checked_text or self._text
            agree(self.file, self.reference)
            self.corners = self.file.model.to_corners()
            self.problems = ()
        except ProfileFileError as error:
            self.problems = error.problems
        except ProfileError as error:
            self.problems = (Problem(str(self.path), 0, "", error.problem),)

    @property
    def undo_label(self) -> str:
        """Label of the next undo, "" for none."""
        return self._undo[-1].label if self._undo else ""

    @property
    def redo_label(self) -> str:
        """Label of the next redo, "" for none."""
        return self._redo[-1].label if self._redo else ""

    def undo(self) -> bool:
        """Undo the last edit; return False if there is none."""
        return self._step(self._undo, self._redo)

    def redo(self) -> bool:
        """Redo the last undone edit; return False if there is none."""
        return self._step(self._redo, self._undo)

    def _step(self, source: list[_Step], target: list[_Step]) -> bool:
        if not source:
            return False
        step = source.pop()
        target.append(self._now(step.label))
        self._stand_on(step.text, step.corners)
        return True

    # the file

    def changed_on_disk(self) -> bool:
        """Return whether someone else wrote the file since it was read or saved."""
        return self.file.changed_on_disk()

    def save(self, *, force: bool = False) -> None:
        """Write the file with its comments; raise ProfileError if it is invalid or changed on disk (unless forced).

        A shipped profile is never written: the copy among the driver's own is, and becomes ``path``.
        """
        if self.problems:
            self.file.check()  # copy nothing for an edit that cannot be saved
        self.file.path = own_copy(self.file.path)
        self.file.save(force=force)
        self._text = self._saved = self.file.text
        self._last = ((), float("-inf"))

    def take_from_disk(self) -> None:
        """Reload the file; undo restores the edits. Raise ProfileError and keep everything on failure."""
        fresh = read_profile(self.path)
        agree(fresh, self.reference)
        self._undo.append(self._now("the file as it was here"))
        self._redo.clear()
        self.file, self.problems, self.corners = fresh, (), fresh.model.to_corners()
        self._text = self._saved = fresh.text
        self._last = ((), float("-inf"))
