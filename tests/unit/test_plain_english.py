"""Plain English in docstrings, comments, documents and shipped texts: no dialect words, no opening "What"."""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("coach", "feeds", "profiles", "tests", "replay_samples")

PLAIN = {
    r"befalls?|befell|befallen": "happens to, counts",
    r"fore(tell|tells|told)": "predict",
    r"mend(s|ed|ing)?": "fix, correct",
    r"anew": "again, re-",
    r"can not": "cannot",
    r"(is|are|was|were) told (of|about)": "receives, learns of",
    r"(is|are|was|were) asked (of|for)": "is requested, needs",
    r"(?<!driver )(?<!drivers )who (brakes|rolls|drives|lifts)": "a driver who, coasting, braking",
    r"makes of (it|a|the)": "handles",
    r"so many (times|metres|deviations|passes|laps|cues)": "this many, the number of",
    r"(is|are|was|were) looked (at|for)": "is used, is searched",
    r"but for (the|a|one)": "except",
    r"(comes|came|come) of (it|them|a|an|the|that)": "follows from, result",
    r"(is|are|was|were) told apart": "is distinguished",
    r"lets? go of": "release, drop",
    r"as (it|they) stands?": "current",
    r"in earnest": "seriously",
    r"in good order": "properly",
    r"for want of": "without",
    r"no longer than it has to": "as short as possible",
    r"what (it|he|they) (was|were) like": "the state",
    r"a (polite|wish to) \w+": "a request",
    r"(is|are) none of (ours|its|theirs)": "is foreign",
    r"at a stand": "stationary",
    r"(can|could) (not )?be had": "is available",
    r"is taken away": "is removed",
}
"""Pattern -> plain words instead. Found by counting over all docstrings and comments."""

WORDS = re.compile(r"\b(?:" + "|".join(f"(?:{pattern})" for pattern in PLAIN) + r")\b", re.IGNORECASE)
OPENING = re.compile(r"^(What|Who)\b(?! changed)")


def prose_of(path: Path) -> Iterator[tuple[int, str, bool]]:
    """Yield line, text and whether it is a docstring, for each docstring and each run of comments of a module."""
    source = path.read_text(encoding="utf-8")
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            yield node.lineno, " ".join(node.value.value.split()), True
    start, last, words = 0, -1, ""
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type != tokenize.COMMENT:
            continue
        if token.start[0] != last + 1 and words:
            yield start, words, False
            words = ""
        start = start if words else token.start[0]
        words += " " + token.string.lstrip("# ")
        last = token.start[0]
    if words:
        yield start, words, False


def dialect(text: str) -> list[str]:
    """Return the dialect words of a text, each with the plain ones."""
    found = []
    for match in WORDS.finditer(text):
        plain = next(new for old, new in PLAIN.items() if re.fullmatch(old, match[0], re.IGNORECASE))
        found.append(f'"{match[0]}": {plain}')
    return found


def files(*ends: str) -> list[Path]:
    """Return the project's own files with one of these extensions."""
    every = [*ROOT.glob("*.md"), *(path for room in ROOMS for path in sorted((ROOT / room).rglob("*")))]
    return [path for path in every if path.suffix in ends and "__pycache__" not in path.parts]


@pytest.mark.parametrize("room", ["coach", "feeds", "tests"])
def test_docstrings_and_comments_have_no_dialect(room: str) -> None:
    """Docstrings and comments use plain words, and no docstring begins with What or Who."""
    faults = []
    for path in sorted((ROOT / room).rglob("*.py")):
        for line, text, doc in prose_of(path):
            where = f"{path.relative_to(ROOT)}:{line}"
            faults += [f"{where}: {one}" for one in dialect(text)]
            if doc and (opening := OPENING.match(text)):
                faults.append(f'{where}: begins with "{opening[0]}": begin with a noun or a verb')
    assert not faults, "\n".join(faults)


def test_documents_and_shipped_texts_have_no_dialect() -> None:
    """Documents, templates and the texts of rules, languages and profiles use plain words."""
    faults = []
    for path in files(".md", ".yaml", ".html"):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            faults += [f"{path.relative_to(ROOT)}:{number}: {one}" for one in dialect(line)]
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("Counts what befell a feed", '"befell": happens to, counts'),
        ("The file can not be read", '"can not": cannot'),
        ("``learn`` is told of each pass", '"is told of": receives, learns of'),
        ("Who brakes too soon", '"Who brakes": a driver who, coasting, braking'),
    ],
)
def test_a_planted_dialect_word_is_found(text: str, plain: str) -> None:
    """Each planted word is reported with its plain counterpart."""
    assert [plain] == dialect(text)


def test_plain_text_passes() -> None:
    """Ordinary sentences with similar words pass."""
    assert [] == dialect("A driver who brakes late cannot be told from the amendment; recommend what was found.")
