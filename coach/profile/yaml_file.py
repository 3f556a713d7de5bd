"""A YAML file that a person edits by hand, checked against a pydantic model and saved without losing a comment."""

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
"""What a model's own checks need to know beside the file (pydantic's validation context)."""


def parse(
    text: str, path: str, model: type[M], error: ProblemsType, context: Context | None = None
) -> tuple[CommentedMap, M]:
    """Text to tree and checked model; raises ``error`` with every problem found, each with its line."""
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
    """Bytes of a file as text; raises ``error`` for too many bytes and for what is not UTF-8."""
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
    """A file's text without its byte-order ``mark``, with what an edit is compared against."""

    text: str
    mark: str
    source: str
    tree: CommentedMap
    values: Any
    emitted: str


@dataclass
class YamlFile(Generic[M]):
    """One file as read. Edit ``tree`` in place, then ``check()`` or ``save()`` (which reads ``tree`` anew).

    ``digest`` is the SHA-256 of the bytes as read, "" for a file that was not there.
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
        """Read and check ``path``; raises ``error``."""
        data = _bytes(path, error)
        text = decode(data, str(path), error)
        tree, value = parse(text, str(path), model, error, context)
        return cls(path, text, hashlib.sha256(data).hexdigest(), tree, value, error, context)

    @classmethod
    def new(
        cls, path: Path, text: str, model: type[M], error: ProblemsType, context: Context | None = None
    ) -> YamlFile[M]:
        """A file that is not there yet, from its first text; ``save()`` makes it. Raises ``error``."""
        tree, value = parse(text, str(path), model, error, context)
        return cls(path, text, "", tree, value, error, context)

    def rendered(self) -> str:
        """The text as it will be saved: lines that no edit touched are the bytes that were read."""
        return self._render()[0]

    def check(self) -> M:
        """Check the tree as it stands now; raises ``error`` with the lines the file would have.

        ``checked_text`` is then what ``rendered`` would give, also where something is wrong with it.
        """
        self.checked_text, tree = self._render()
        self.model = self._checked(tree)
        return self.model

    def _render(self) -> tuple[str, CommentedMap]:
        """The text to be saved and the tree that is read from it."""
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
        """The text as read, parsed and emitted once for all edits that follow."""
        if self._read is None or self._read.text != self.text:
            mark = "\ufeff" if self.text.startswith("\ufeff") else ""
            source = self.text.removeprefix(mark)
            tree = read_tree(source, str(self.path))
            if isinstance(tree, Problem):  # can not be: the text was parsed when it was read
                raise self.error([tree])
            self._read = _Base(self.text, mark, source, tree, plain(tree), write_tree(tree, source))
        return self._read

    def _checked(self, tree: CommentedMap) -> M:
        return _validated(tree, str(self.path), type(self.model), self.error, self.context)

    def changed_on_disk(self) -> bool:
        """Whether someone else wrote the file since it was read (a file that vanished counts as unchanged)."""
        now = _digest(self.path)
        return now not in ("", self.digest)

    def save(self, *, force: bool = False) -> None:
        """Check, then write atomically; raises ``error`` and leaves the file as it is when anything is wrong.

        A file that changed on disk since it was read is not overwritten unless ``force``.
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
            raise self.error([Problem(str(self.path), 0, "", f"can not be written: {e.strerror}")]) from None
        # read anew: a tree that was written once, or copied, writes its comments in the wrong places
        fresh = read_tree(text.removeprefix("\ufeff"), str(self.path))
        assert not isinstance(fresh, Problem)  # it was read like this by _render
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
        raise problem(f"can not be read: {e.strerror or e}") from None
    except ValueError as e:  # a path with a NUL in it
        raise problem(f"can not be read: {e}") from None
    return data


def _digest(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except FileNotFoundError:
        return ""
    except OSError:
        return "unreadable"
