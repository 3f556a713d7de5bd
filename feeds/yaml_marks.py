"""Reads a small YAML file into a validated model; an error names the line, what was found and what is allowed."""

from __future__ import annotations

import re
from itertools import accumulate
from pathlib import Path
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from feeds.errors import FeedFormatError, FeedOpenError
from feeds.wrong_value import allowed_by, expected

MAX_BYTES: Final = 256 * 1024
_MAX_NODES: Final = 50_000
"""Aliases can make a small file large (the "billion laughs"); no hand-written file is that long."""
MAX_BRACKETS: Final = 200
"""Most unclosed opening brackets: the parser takes many seconds for thousands."""
MAX_MARKS: Final = 12_000
"""Most separators of values. The parser takes up to 70 us for each (measured), a profile of 100 corners has 9000."""

M = TypeVar("M", bound=BaseModel)


def read_checked(path: Path, model: type[M]) -> M:
    """Return the file as ``model``; raise FeedOpenError if unreadable, FeedFormatError with ``path:line: field``."""
    try:
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        raise FeedOpenError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})") from error
    return parse_checked(data, str(path), model)


def parse_checked(data: bytes, name: str, model: type[M]) -> M:
    """Do the same for the content of a file called ``name``."""
    if len(data) > MAX_BYTES:
        raise FeedFormatError(f"{name}: expected at most {MAX_BYTES} bytes, found {len(data)}")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FeedFormatError(f"{name}:{line}: expected UTF-8 text, found the byte 0x{data[error.start]:02x}") from None
    if beyond := beyond_bounds(text):
        raise FeedFormatError(f"{name}:1: {beyond}")
    try:
        tree = YAML(typ="rt", pure=True).load(text)
        plain = _plain(tree, [0])
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark is not None else 1
        hint = "; write it in quotes" if "cannot start any token" in str(error.problem) else ""
        raise FeedFormatError(f"{name}:{line}: not YAML: {_one_line(error.problem or error.context)}{hint}") from None
    except (YAMLError, ValueError, RecursionError, TypeError, AttributeError, IndexError, KeyError) as error:
        # the parser does not catch what its constructors raise on strange scalars
        raise FeedFormatError(f"{name}:1: not YAML: {_one_line(error)}") from None
    if not isinstance(tree, CommentedMap):
        raise FeedFormatError(f"{name}:1: expected keys with values, found {_kind(plain)}")
    try:
        return model.model_validate(plain)
    except ValidationError as error:
        problems = [_problem(name, tree, dict(e)) for e in error.errors(include_url=False)]
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        raise FeedFormatError(problems[0] + more) from None


def beyond_bounds(text: str) -> str:
    """Return what ``text`` has too much of for the parser, which would take seconds to refuse it; "" if it is bounded.

    Every YAML file is checked by it, so that its refusal takes under a second.
    """
    if max(accumulate((c in "[{") - (c in "]}") for c in text if c in "[]{}"), default=0) > MAX_BRACKETS:
        return f"expected at most {MAX_BRACKETS} open brackets, found more"
    if (marks := len(re.findall(r"""[,:\-\[\]{}"'&*\n]""", text))) > MAX_MARKS:
        return f"expected at most {MAX_MARKS} marks and lines, found {marks}"
    return ""


def _problem(name: str, tree: Any, error: dict[str, Any]) -> str:
    # a union's tag is not a key of the file; tags appear in angle brackets
    place = [key for key in error["loc"] if not (isinstance(key, str) and key.startswith("<"))]
    field = ".".join(str(key + 1) if isinstance(key, int) else key for key in place)
    return f"{name}:{_line(tree, place)}: {field or 'the map'}: {_one_line(_reason(error))}"


def _reason(error: dict[str, Any]) -> str:
    if error["type"] == "extra_forbidden":
        return expected("a known field", "an unknown one")
    found = error["input"]
    allowed = allowed_by(error["type"], error.get("ctx", {}))
    if allowed:
        return expected(allowed, "nothing" if error["type"] == "missing" else _shown(found))
    message = str(error["msg"]).removeprefix("Value error, ")
    return message if "found" in message or isinstance(found, dict | list) else f"{message}; found {found!r}"


def _shown(found: object) -> str:
    return _kind(found) if found is None or isinstance(found, dict | list) else repr(found)


def _line(tree: Any, place: list[Any]) -> int:
    """Return the line of the deepest part of ``place`` present in the file, counted from 1."""
    line = 0
    node = tree
    for key in place:
        try:
            if isinstance(node, CommentedMap):
                line = node.lc.key(key)[0]
            elif isinstance(node, CommentedSeq):
                line = node.lc.item(key)[0]
            node = node[key]
        except (KeyError, IndexError, TypeError, AttributeError):
            break
    return line + 1


def _plain(node: Any, count: list[int]) -> Any:
    count[0] += 1
    if count[0] > _MAX_NODES:
        raise ValueError(f"more than {_MAX_NODES} values")
    if isinstance(node, dict):
        return {str(key): _plain(value, count) for key, value in node.items()}
    if isinstance(node, list):
        return [_plain(value, count) for value in node]
    for kind in (bool, int, float, str):
        if isinstance(node, kind):
            return kind(node)
    return None if node is None else str(node)


def _kind(value: object) -> str:
    if value is None:
        return "nothing"
    return "a list" if isinstance(value, list) else "a map" if isinstance(value, dict) else "a single value"


def _one_line(text: object) -> str:
    flat = " ".join(str(text).split())
    return flat if len(flat) <= 400 else flat[:397] + "..."
