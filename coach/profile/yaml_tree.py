"""YAML text <-> round-trip tree: faults become Problems with lines, and hostile text is bounded."""

from __future__ import annotations

import io
import warnings
from typing import Any, Final

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq, TaggedScalar
from ruamel.yaml.constructor import ConstructorError, RoundTripConstructor
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.reader import ReaderError

from coach.profile.problems import Loc, Problem
from feeds.yaml_marks import beyond_bounds

MAX_NODES: Final = 100_000
"""Most nodes after expanding aliases; an alias bomb exceeds it at once, a profile of 100 corners has about 4000."""
MAX_DEPTH: Final = 30


class _Constructor(RoundTripConstructor):
    """An invalid scalar (2020-99-99) fails with its line."""

    def construct_object(self, node: Any, deep: bool = False) -> Any:
        try:
            return super().construct_object(node, deep)
        except (YAMLError, RecursionError):
            raise
        except Exception as e:  # scalar constructors let errors of int(), date(), ... pass
            raise ConstructorError(None, None, str(e), node.start_mark) from e


def _yaml(text: str = "") -> YAML:
    yaml = YAML(typ="rt")
    yaml.Constructor = _Constructor
    yaml.preserve_quotes = True
    yaml.width = 100_000  # never fold the user's long lines
    mapping, offset = _indents(text)
    yaml.indent(mapping=mapping, sequence=offset + 2, offset=offset)
    return yaml


def _indents(text: str) -> tuple[int, int]:
    """Return the author's indent of nested maps, and of a list's dash under its key."""
    mapping, offset, above = 0, -1, -1
    for line in text.split("\n"):
        body = line.strip()
        if not body or body.startswith("#"):
            continue
        indent = len(line) - len(line.lstrip(" "))
        if above >= 0 and indent >= above:
            if body.startswith("- "):
                offset = indent - above if offset < 0 else offset
            elif indent > above:
                mapping = mapping or indent - above
        above = indent + (2 if body.startswith("- ") else 0) if body.split(" #")[0].endswith(":") else -1
    return mapping or 2, min(max(offset, 0), 8) if offset >= 0 else 2


def read_tree(text: str, path: str) -> CommentedMap | Problem:
    """Parse one YAML 1.2 document whose top is a map; raise a Problem for any other text."""
    if beyond := beyond_bounds(text):
        return Problem(path, 0, "", beyond)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # ruamel warns about reused anchors; the checks below refuse harmful ones
            tree = _yaml().load(text)
    except MarkedYAMLError as e:
        mark = e.problem_mark or e.context_mark
        what = " ".join(str(e.problem or e.context or "not YAML").split())
        return Problem(
            path, mark.line + 1 if mark else 0, "", f"expected YAML 1.2, found {_short(what.removeprefix('found '))}"
        )
    except ReaderError as e:
        line = text.count("\n", 0, e.position) + 1 if isinstance(e.position, int) else 0
        character = chr(e.character) if isinstance(e.character, int) else str(e.character)
        return Problem(path, line, "", f"expected printable text, found the character {character!r}")
    except RecursionError:
        return Problem(path, 0, "", f"expected lists and maps at most {MAX_DEPTH} levels deep, found more")
    except Exception as e:  # the parser handles arbitrary text: any exception is a fault of the text
        return Problem(path, 0, "", f"expected YAML 1.2, found text that is not YAML ({_short(str(e))})")
    if tree is None:
        return Problem(path, 1, "", "expected a map of fields, found an empty file")
    if not isinstance(tree, CommentedMap):
        return Problem(path, 1, "", f"expected a map of fields, found {describe(tree)}")
    return tree


def write_tree(tree: CommentedMap, like: str = "") -> str:
    """Return the tree as text, indented like ``like``."""
    out = io.StringIO()
    _yaml(like).dump(tree, out)
    return out.getvalue()


class TooLargeError(ValueError):
    """The tree exceeds the limit of nodes or levels; ``loc`` is where."""

    def __init__(self, loc: Loc, found: str, allowed: str) -> None:
        super().__init__(found)
        self.loc, self.found, self.allowed = loc, found, allowed


def plain(tree: object) -> Any:
    """Return plain dicts, lists and scalars; raise TooLargeError for alias bombs and loops."""
    left = MAX_NODES

    def walk(node: Any, loc: Loc) -> Any:
        nonlocal left
        left -= 1
        if left < 0:
            raise TooLargeError(loc[:2], "too many values (aliases of aliases?)", f"at most {MAX_NODES} values")
        if len(loc) > MAX_DEPTH:
            raise TooLargeError(loc[:2], "more", f"lists and maps at most {MAX_DEPTH} levels deep")
        if isinstance(node, TaggedScalar) or (isinstance(node, CommentedMap | CommentedSeq) and node.tag.value):
            raise TooLargeError(loc, f"the tag {node.tag.value}", "plain values without tags")
        if isinstance(node, dict):
            return {_scalar(k): walk(v, (*loc, k)) for k, v in node.items()}
        if isinstance(node, list):
            return [walk(v, (*loc, i)) for i, v in enumerate(node)]
        return _scalar(node)

    return walk(tree, ())


def _scalar(node: Any) -> Any:
    """Return a ScalarInt, quoted string and the like as its builtin type; an anchored flag becomes a bool."""
    if type(node).__name__ == "ScalarBoolean":
        return bool(node)
    for kind in (bool, int, float, str):
        if isinstance(node, kind):
            return kind(node)
    return node


def line_of(tree: CommentedMap, loc: Loc) -> int:
    """Return line (from 1) of the node at ``loc``, or of its last existing parent."""
    node: Any = tree
    line: int = tree.lc.line
    for part in loc:
        try:
            if isinstance(node, CommentedMap) and part in node:
                nested = isinstance(node[part], dict | list)
                line = (node.lc.key(part) if nested else node.lc.value(part))[0]
            elif isinstance(node, CommentedSeq) and isinstance(part, int):
                line = node.lc.item(part)[0]
            else:
                break
            node = node[part]
        except (KeyError, TypeError, IndexError):  # merged keys and edited parts have no line of their own
            break
    return line + 1


def key_line(tree: CommentedMap, loc: Loc) -> int:
    """Return line (from 1) of the key at ``loc`` itself, for an unexpected field."""
    node: Any = tree
    try:
        for part in loc[:-1]:
            node = node[part]
        return int(node.lc.key(loc[-1])[0]) + 1
    except (KeyError, TypeError, IndexError, AttributeError):
        return line_of(tree, loc)


def field_name(tree: object, loc: Loc) -> str:
    """Return ``corners[Hairpin].brake_m``: list items by name if they have one, else by number from 1."""
    out, node = "", tree
    for part in loc:
        try:
            inner = node[part]  # type: ignore[index]  # the walk follows arbitrary content
        except (KeyError, IndexError, TypeError):
            inner = None
        if isinstance(part, int) and isinstance(node, list):
            name = inner.get("name") if isinstance(inner, dict) else None
            out += f"[{_short(name, 40)}]" if isinstance(name, str) else f"[{part + 1}]"
        elif part != "[key]":
            out += ("." if out else "") + _short(str(part), 40)
        node = inner
    return out


def describe(value: object) -> str:
    """Return a value for messages: one short line."""
    if value is None:
        return "nothing"
    if isinstance(value, dict):
        return "a map"
    if isinstance(value, list | tuple | set):
        return f"a list of {len(value)}"
    return _short(repr(value) if isinstance(value, str | bytes | int | float) else str(value))


def _short(text: str, most: int = 70) -> str:
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= most else line[: most - 1] + "…"
