"""A hand-edited YAML file, validated by a pydantic model and saved without losing comments."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Generic, TypeVar

from pydantic import BaseModel, ValidationError
from ruamel.yaml.comments import CommentedMap
from ruamel.yaml.error import YAMLError

from coach.errors import expected
from coach.files import write_atomically
from coach.profile.explain import explain
from coach.profile.problems import Problem, ProblemsType
from coach.profile.splice import splice
from coach.profile.yaml_tree import TooLargeError, field_name, line_of, plain, read_tree, write_tree

MAX_BYTES: Final = 128 * 1024
"""About ten times a profile of 30 corners."""

M = TypeVar("M", bound=BaseModel)


Context = Mapping[str, object]
"""Context of the model's validation besides the file (pydantic's validation context)."""


def parse(
    text: str, path: str, model: type[M], error: ProblemsType, context: Context | None = None
) -> tuple[CommentedMap, M]:
    """Parse the text to tree and validated model; raise ``error`` with every problem and its line."""
    tree = read_tree(text.removeprefix("\ufeff"), path)
    if isinstance(tree, Problem):
        raise error([tree])
    return tree, _validated(tree, path, model, error, context)


def _validated(tree: CommentedMap, path: str, model: type[M], error: ProblemsType, context: Context | None) -> M:
    try:
        return model.model_validate(plain(tree), context=context)
    except TooLargeError as e:
        where = field_name(tree, e.loc)
        raise error([Problem(path, line_of(tree, e.loc), where, expected(e.allowed, e.found), e.loc)]) from None
    except ValidationError as e:
        raise error(explain(e, tree, path, model)) from None


def decode(data: bytes, path: str, error: ProblemsType) -> str:
    """Return the bytes of a file as text; raise ``error`` for too many bytes or invalid UTF-8."""
    if len(data) > MAX_BYTES:
        raise error([Problem(path, 0, "", f"expected at most {MAX_BYTES} bytes, found more")])
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as e:
        line = data.count(b"\n", 0, e.start) + 1
        problem = f"expected UTF-8 text, found the byte 0x{data[e.start]:02x}"
        raise error([Problem(path, line, "", problem)]) from None


@dataclass(frozen=True)
class _Base:
    """A file's text without its byte-order ``mark``, and the base for comparing edits."""

    text: str
    mark: str
    source: str
    tree: CommentedMap
    values: Any
    emitted: str


@dataclass
class YamlFile(Generic[M]):
    """One file. Edit ``tree`` in place, then ``check()`` or ``save()`` (which re-parses ``tree``).

    ``digest`` is the SHA-256 of the bytes as read, "" for a new file.
    """

    path: Path
    text: str
    digest: str
    tree: CommentedMap
    model: M
    error: ProblemsType
    context: Context | None = None
    checked_text: str = field(default="", repr=False, compare=False)
    _read: _Base | None = field(default=None, repr=False, compare=False)

    @classmethod
    def read(cls, path: Path, model: type[M], error: ProblemsType, context: Context | None = None) -> YamlFile[M]:
        """Read and validate ``path``; raise ``error`` if invalid."""
        data = _bytes(path, error)
        text = decode(data, str(path), error)
        tree, value = parse(text, str(path), model, error, context)
        return cls(path, text, hashlib.sha256(data).hexdigest(), tree, value, error, context)

    @classmethod
    def new(
        cls, path: Path, text: str, model: type[M], error: ProblemsType, context: Context | None = None
    ) -> YamlFile[M]:
        """Return a new file from its first text; ``save()`` creates it. Raise ``error`` if invalid."""
        tree, value = parse(text, str(path), model, error, context)
        return cls(path, text, "", tree, value, error, context)

    def rendered(self) -> str:
        """Return the text to be saved: unedited lines keep their bytes."""
        return self._render()[0]

    def check(self) -> M:
        """Validate the current tree; raise ``error`` with the lines the file would have.

        ``checked_text`` is then the result of ``rendered``, even if invalid.
        """
        self.checked_text, tree = self._render()
        self.model = self._checked(tree)
        return self.model

    def _render(self) -> tuple[str, CommentedMap]:
        """Return the text to be saved and the tree parsed from it."""
        base = self._base()
        try:
            wanted = plain(self.tree)
            if base.values == wanted:
                return self.text, base.tree
            after = write_tree(self.tree, base.source)
        except (TooLargeError, YAMLError) as e:
            raise self._unwritable(" ".join(str(e).split())[:100]) from None
        for text in (splice(base.source, base.emitted, after), after):
            again = read_tree(text, str(self.path))
            if not isinstance(again, Problem) and plain(again) == wanted:
                return base.mark + text, again
        raise self._unwritable("an edit that reads back as something else")

    def _unwritable(self, found: str) -> Exception:
        allowed = "text, numbers, true or false, lists and maps"
        return self.error([Problem(str(self.path), 0, "", expected(allowed, found))])

    def _base(self) -> _Base:
        """Return the original text, parsed and emitted once for all later edits."""
        if self._read is None or self._read.text != self.text:
            mark = "\ufeff" if self.text.startswith("\ufeff") else ""
            source = self.text.removeprefix(mark)
            tree = read_tree(source, str(self.path))
            if isinstance(tree, Problem):  # impossible: the text was parsed when read
                raise self.error([tree])
            self._read = _Base(self.text, mark, source, tree, plain(tree), write_tree(tree, source))
        return self._read

    def _checked(self, tree: CommentedMap) -> M:
        return _validated(tree, str(self.path), type(self.model), self.error, self.context)

    def changed_on_disk(self) -> bool:
        """Return whether someone else wrote the file since it was read (a deleted file counts as unchanged)."""
        now = _digest(self.path)
        return now not in ("", self.digest)

    def save(self, *, force: bool = False) -> None:
        """Validate, then write atomically; raise ``error`` and leave the file unchanged on any fault.

        A file changed on disk since reading is not overwritten without ``force``.
        """
        text, tree = self._render()
        model = self._checked(tree)
        if not force and self.changed_on_disk():
            found = "found a change on disk since it was read" if self.digest else "found a file already there"
            raise self.error([Problem(str(self.path), 0, "", f"{found}; read it again, or force the save")])
        data = text.encode("utf-8")
        try:
            write_atomically(self.path, data)
        except OSError as e:
            raise self.error([Problem(str(self.path), 0, "", f"cannot be written: {e.strerror}")]) from None
        # re-parse: a tree that was written or copied misplaces its comments
        fresh = read_tree(text.removeprefix("\ufeff"), str(self.path))
        assert not isinstance(fresh, Problem)  # _render parsed it the same way
        self.text, self.tree, self.model = text, fresh, model
        self.digest = hashlib.sha256(data).hexdigest()


def _bytes(path: Path, error: ProblemsType) -> bytes:
    def problem(text: str) -> Exception:
        return error([Problem(str(path), 0, "", text)])

    try:
        if path.is_dir():
            raise problem("expected a YAML file, found a folder")
        if not path.is_file():
            found = "something that is not a file" if path.exists() else "no such file"
            raise problem(f"expected a YAML file, found {found}")
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as e:
        raise problem(f"cannot be read: {e.strerror or e}") from None
    except ValueError as e:  # a path with a NUL in it
        raise problem(f"cannot be read: {e}") from None
    return data


def _digest(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except FileNotFoundError:
        return ""
    except OSError:
        return "unreadable"
