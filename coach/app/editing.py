"""A profile being edited: every change checked like the file, taken back at will, tried on a session at once."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from ruamel.yaml.comments import CommentedMap, CommentedSeq

from coach.app.quick_rerun import QuickRerun
from coach.app.rerun import Rerun
from coach.app.setup import Setup, session_setup
from coach.app.timeline import Row, compare
from coach.core.reference import Reference
from coach.core.values import Corner, Decision
from coach.errors import ProfileError
from coach.profile.corner_map import place_key
from coach.profile.models import ProfileModel
from coach.profile.problems import Problem, ProfileFileError
from coach.profile.reference_file import read_reference
from coach.profile.rule_files import load_rules
from coach.profile.store import agree, profile_path, read_profile
from coach.profile.yaml_file import YamlFile
from coach.profile.yaml_tree import read_tree
from coach.session.reader import SessionReader

SAME_EDIT_S: Final = 2.0
"""Edits of the same field that follow each other this closely are one step of undo [s]."""
Loc = tuple[str | int, ...]


@dataclass(frozen=True)
class _Step:
    """The whole file as it stood before an edit."""

    label: str
    text: str


class Desk:
    """One profile file on the desk, with the session its cues are tried on (or None).

    Nothing is written before ``save``. Raises ProfileError from the constructor and from ``save``.
    """

    def __init__(self, profile: str | Path, session: Path | None = None, rules: str | None = None) -> None:
        self.file: YamlFile[ProfileModel] = read_profile(profile_path(profile))
        self.reference: Reference = read_reference(self.file.path.parent / self.file.model.reference)
        agree(self.file, self.reference)
        self.problems: tuple[Problem, ...] = ()
        self._undo: list[_Step] = []
        self._redo: list[_Step] = []
        self._last: tuple[Loc, float] = ((), float("-inf"))
        self._text = self._saved = self.file.rendered()
        self.setup: Setup | None = None
        self.session = session
        self.took_s = 0.0
        self.before: tuple[Decision, ...] = ()
        self.result: Rerun | None = None
        if session is not None:
            self._open_session(session, rules)

    def _open_session(self, session: Path, rules: str | None) -> None:
        reader = SessionReader(session)
        setup = session_setup(reader, self.file.path, rules)
        self.setup = replace(setup, reference=self.reference)
        self._quick = QuickRerun(list(reader.batches(1 << 14)))
        self.rerun()
        self.keep_as_before()

    # what it shows

    @property
    def path(self) -> Path:
        """The file that is edited."""
        return self.file.path

    @property
    def circuit(self) -> str:
        """The circuit's name as it stands."""
        return str(self.file.tree.get("circuit", ""))

    @property
    def corners(self) -> tuple[Corner, ...]:
        """The corners as they last were valid."""
        return self.file.model.to_corners()

    @property
    def names(self) -> list[str]:
        """The corners' names as they stand, valid or not."""
        return [str(c.get("name", "")) for c in self.file.tree["corners"]]

    @property
    def changed(self) -> bool:
        """Whether there is something to save."""
        return self._text != self._saved

    def get(self, corner: int, *path: str | int) -> Any:
        """A value of a corner as it stands; None where the file has none."""
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
        """What is wrong with a field of a corner, "" when nothing is."""
        wanted = ("corners", corner, *path)
        return "; ".join(p.text for p in self.problems if p.loc[: len(wanted)] == wanted)

    # edits

    def put(self, corner: int, path: Sequence[str | int], value: Any) -> bool:
        """Set a field of a corner (None takes it away); whether that changed anything. See ``problems`` after it."""
        if _same(self.get(corner, *path), value):
            return False
        loc = (corner, *path)
        now = time.monotonic()
        if self._last[0] != loc or now - self._last[1] > SAME_EDIT_S or not self._undo:
            name = self.names[corner]
            self._undo.append(_Step(f"{path[0]} of {name}", self._text))
        self._redo.clear()
        self._last = (loc, now)
        _put(self.file.tree["corners"][corner], path, value)
        self._check()
        return True

    def _check(self) -> None:
        """Check the tree as it stands; ``problems`` tells what is wrong, the last valid corners stay in use."""
        try:
            self._text = self.file.rendered()
            self.file.check()
            agree(self.file, self.reference)
            self.problems = ()
        except ProfileFileError as error:
            self.problems = error.problems
        except ProfileError as error:
            self.problems = (Problem(str(self.path), 0, "", error.problem),)

    @property
    def undo_label(self) -> str:
        """What undo would take back, "" for nothing."""
        return self._undo[-1].label if self._undo else ""

    @property
    def redo_label(self) -> str:
        """What redo would bring again, "" for nothing."""
        return self._redo[-1].label if self._redo else ""

    def undo(self) -> bool:
        """Take the last edit back; False when there is none."""
        return self._step(self._undo, self._redo)

    def redo(self) -> bool:
        """Bring the last edit that was taken back again; False when there is none."""
        return self._step(self._redo, self._undo)

    def _step(self, source: list[_Step], target: list[_Step]) -> bool:
        if not source:
            return False
        step = source.pop()
        target.append(_Step(step.label, self._text))
        # read anew, for a round-trip tree that was written once can not be copied without losing comments
        tree = read_tree(step.text.removeprefix("\ufeff"), str(self.path))
        assert not isinstance(tree, Problem)  # it was written by us
        self.file.tree = tree
        self._last = ((), float("-inf"))
        self._check()
        return True

    # the file

    def changed_on_disk(self) -> bool:
        """Whether someone else wrote the file since it was read or saved."""
        return self.file.changed_on_disk()

    def save(self, *, force: bool = False) -> None:
        """Write the file, comments kept; raises ProfileError if it is wrong or was changed on disk (unless forced)."""
        self.file.save(force=force)
        self._text = self._saved = self.file.text
        self._last = ((), float("-inf"))

    def take_from_disk(self) -> None:
        """Read the file again; what was on the desk can be brought back by undo. Raises ProfileError, and keeps all."""
        fresh = read_profile(self.path)
        agree(fresh, self.reference)
        self._undo.append(_Step("the file as it was here", self._text))
        self._redo.clear()
        self.file, self.problems = fresh, ()
        self._text = self._saved = fresh.text
        self._last = ((), float("-inf"))

    # the session

    def use_rules(self, rules: str | Path) -> None:
        """Try other cue rules; raises RulesError."""
        if self.setup is not None:
            self.setup = replace(self.setup, rules=load_rules(rules))

    def rerun(self) -> None:
        """Run the session again under the corners and rules as they stand; ``took_s`` tells how long it took."""
        if self.setup is None:
            return
        began = time.perf_counter()
        self.setup = replace(
            self.setup,
            corners=self.corners,
            circuit=self.file.model.circuit,
            pronounce=dict(self.file.model.pronounce),
            source=str(self.path),
        )
        self.result = self._quick.run(self.setup)
        self.took_s = time.perf_counter() - began

    def keep_as_before(self) -> None:
        """From now on changes are marked against the cues as they are."""
        self.before = tuple(self.result.happened.decisions) if self.result is not None else ()

    def rows(self) -> list[Row]:
        """The cues of the session under the profile as it stands, marked against before."""
        return compare(self.before, self.result.happened.decisions) if self.result is not None else []


def _same(old: Any, new: Any) -> bool:
    if isinstance(old, list) and isinstance(new, list):
        return len(old) == len(new) and all(map(_same, old, new))
    if isinstance(old, dict) and isinstance(new, dict):
        return old.keys() == new.keys() and all(_same(old[k], new[k]) for k in old)
    return bool(old == new) and isinstance(old, bool) == isinstance(new, bool)


def _put(corner: CommentedMap, path: Sequence[str | int], value: Any) -> None:
    head, *rest = path
    if not rest:
        assert isinstance(head, str)
        _put_field(corner, head, value)
        return
    inner = corner.get(head)
    if not isinstance(inner, dict):
        inner = CommentedMap()
        inner.fa.set_flow_style()
        place_key(corner, str(head), inner)
    if value is None:
        inner.pop(rest[0], None)
        if not inner:
            corner.pop(head)
    else:
        inner[rest[0]] = value


def _put_field(corner: CommentedMap, name: str, value: Any) -> None:
    old = corner.get(name)
    if isinstance(value, list) and not value:
        value = None
    if isinstance(value, list):
        if isinstance(old, CommentedSeq):
            _refill(old, value)
            return
        fresh = CommentedSeq(map(_flow, value))
        if all(not isinstance(v, dict) for v in value):
            fresh.fa.set_flow_style()
        value = fresh
    place_key(corner, name, value)


def _refill(old: CommentedSeq, value: list[Any]) -> None:
    """Make a list say the new thing; an entry that stays keeps its comment and its form."""
    for i, item in enumerate(value):
        if i >= len(old):
            old.append(_flow(item))
        elif isinstance(item, dict) and isinstance(old[i], dict):
            for key in [k for k in old[i] if k not in item]:
                del old[i][key]
            for key, v in item.items():
                if not _same(old[i].get(key), v):
                    old[i][key] = v
        elif not _same(old[i], item):
            old[i] = _flow(item)
    del old[len(value) :]


def _flow(item: Any) -> Any:
    if not isinstance(item, dict):
        return item
    made = CommentedMap(item)
    made.fa.set_flow_style()
    return made
