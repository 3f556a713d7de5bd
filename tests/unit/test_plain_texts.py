"""One style in every text that a user reads: the inventory of ``tests/tools/texts.py`` line by line."""

from __future__ import annotations

import re
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "tools"))
from texts import Found, texts  # noqa: E402 - the tools are no package

STRANGE = {
    r"\bcan not\b": "cannot",
    r"\b(is|are|was|were) told\b": "learns",
    r"Input should be": "expected ..., found ...",
    r"\b[Ww]ithout:": "Default:",
    r"\bwhole laps\b": "full laps",
    r"the name of a file": "another file",
    r"\bof such\.": "of such sessions",
    r"; allowed\b": "expected ..., found ...",
    r"\bthere is no such\b": "no such",
    r"\bas (it|they) stands?\b": "current",
    r"\bis kept when\b": "is saved when",
}
"""Pattern -> what a driver would read instead."""
OUT_OF_ORDER = re.compile(r"\bfound\b.*\bexpected\b")
JOINED = re.compile(r"\bexpected\b.*[^,;] found\b")


@cache
def inventory() -> list[Found]:
    return [one for one in texts(ROOT) if one.kind != "spoken"]


def faults(kind: str, text: str) -> list[str]:
    """Return what is wrong with the style of one text."""
    out = [plain for pattern, plain in STRANGE.items() if re.search(pattern, text)]
    if kind == "message" and OUT_OF_ORDER.search(text):
        out.append("first what was expected, then what was found")
    if kind == "message" and JOINED.search(text):
        out.append('", found" after one thing, "; found" after a list')
    if kind == "help" and text and (not text.endswith(".") or text[0].isspace()):
        out.append("a whole sentence with a full stop")
    if kind == "message" and re.match(r"[A-Z][a-z]+ ", text) and text.endswith("."):
        out.append("a message begins small and has no full stop")
    return out


def test_every_text_has_the_style_of_its_kind() -> None:
    """Help is sentences; messages begin small; wrong values read "expected X, found Y"."""
    wrong = [f"{one.file}: {one.text}: {fault}" for one in inventory() for fault in faults(one.kind, one.text)]
    assert not wrong, "\n".join(wrong)
    assert 900 < len(inventory())


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("message", "laps: found 3, expected 1"),
        ("message", "laps: expected 1 to 2 found 3"),
        ("message", "{}: there is no such file"),
        ("message", "The file is gone."),
        ("help", "Session folder; without: your newest session."),
        ("help", "Session folder"),
    ],
)
def test_a_planted_text_out_of_style_is_found(kind: str, text: str) -> None:
    """Each planted text is reported."""
    assert faults(kind, text)
