"""Lists every text of the product by kind: ``python tests/tools/texts.py [TREE]`` (a checkout; without: this one).

Kinds: spoken (what the voice may say), label (overlay, tables, forms), message (errors, notices, printed lines), help
(command line), page (templates of debrief, guide and editor). Read from the sources, not by running them, so that any
checkout can be listed, older ones too. One line a text: kind, file, text; holes of a text show as {}.
"""

from __future__ import annotations

import ast
import re
import sys
from collections import Counter
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, Final, NamedTuple

from ruamel.yaml import YAML

ROOT: Final = Path(__file__).parents[2]
KINDS: Final = ("spoken", "label", "message", "help", "page")
HELP_CALLS: Final = ("Option", "Argument", "Typer")
SHOWN_CALLS: Final = frozenset(
    "label button input select textarea checkbox switch notify link add_column add_row Table html card radio toggle"
    " TextColumn Text".split()
)
TOLD_CALLS: Final = frozenset("say warn notice note echo confirm print progress describe".split())
SPOKEN_FILES: Final = re.compile(
    r"(^|/)(wording|boards|topics|cue_texts|phrases|words|spoken)[^/]*\.py$|(^|/)words/[^/]*\.py$"
)
LABEL_FILES: Final = re.compile(r"outputs/overlay/|pages/|app/(guiding|debrief_page|sighting)\.py$|advice\.py$")
SPOKEN_KEYS: Final = frozenset({"say", "short", "long", "text", "texts", "words", "phrases", "first", "known"})
NO_TEXT: Final = re.compile(
    r"^[\W\d_]*$|^[a-z0-9_./:#%-]+$|^[A-Z_]+$|^#[0-9a-fA-F]{3,8}$|^[\w.-]+\.(py|yaml|json|html)$"
)


class Found(NamedTuple):
    """One text and where it stands."""

    kind: str
    file: str
    text: str


def texts(root: Path) -> list[Found]:
    """Every text of the checkout at ``root``, without repetitions, in order of kind, file and text."""
    found: set[Found] = set()
    for path in sorted([*(root / "coach").rglob("*.py"), *(root / "feeds").rglob("*.py")]):
        found |= set(_of_source(path, path.relative_to(root).as_posix()))
    for path in sorted((root / "coach").rglob("*.html")):
        found |= {Found("page", path.relative_to(root).as_posix(), text) for text in _of_template(path)}
    for path in sorted((root / "profiles").rglob("*.yaml")):
        found |= {Found("spoken", path.relative_to(root).as_posix(), text) for text in _of_yaml(path)}
    return sorted(found, key=lambda f: (KINDS.index(f.kind), f.file, f.text))


def _of_source(path: Path, name: str) -> Iterator[Found]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docs = {id(doc) for doc in _docstrings(tree)}
    if name.startswith("coach/cli/"):
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef) and any(_is_command(d) for d in node.decorator_list):
                yield Found("help", name, _one_line(ast.get_docstring(node) or ""))
    for node, kind in _in_context(tree, _default_kind(name), name):
        if id(node) in docs or (text := _text(node)) is None:
            continue
        if kind is not None and (kind in ("help", "spoken", "message") or not NO_TEXT.match(text)) and text.strip():
            yield Found(kind, name, _one_line(text))


def _default_kind(name: str) -> str | None:
    if SPOKEN_FILES.search(name) and "pages/" not in name:
        return "spoken"
    return "label" if LABEL_FILES.search(name) else None


def _in_context(node: ast.AST, kind: str | None, name: str) -> Iterator[tuple[ast.AST, str | None]]:
    """Every text node with the kind that its surroundings give it; a text inside an f-string is no text of its own."""
    if isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str)):
        yield node, kind
        return
    inner = kind
    if isinstance(node, ast.Raise):
        inner = "message"
    elif isinstance(node, ast.Call):
        called = _called(node)
        if called in HELP_CALLS and name.startswith("coach/cli"):
            for keyword in node.keywords:
                if keyword.arg == "help":
                    yield keyword.value, "help"
            return
        if called.endswith("Error") or called in TOLD_CALLS or called in ("Problem", "Issue", "Check"):
            inner = "message"
        elif called in SHOWN_CALLS:
            inner = "label"
        elif called in ("classes", "props", "mark", "get", "compile", "style", "getLogger", "asset", "get_template"):
            return
    elif isinstance(node, ast.FunctionDef) and name.startswith(("coach/cli/show", "coach/cli/import")):
        inner = "label"
    elif isinstance(node, ast.Assign | ast.AnnAssign) and name.endswith(
        ("explain.py", "remedies.py", "diagnostics.py")
    ):
        inner = "message"
    elif isinstance(node, ast.Subscript | ast.Compare | ast.alias | ast.Import | ast.ImportFrom):
        return
    for child in ast.iter_child_nodes(node):
        yield from _in_context(child, inner, name)


def _text(node: ast.AST) -> str | None:
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else None
    if isinstance(node, ast.JoinedStr):
        return "".join(str(v.value) if isinstance(v, ast.Constant) else "{}" for v in node.values)
    if isinstance(node, ast.BinOp):
        parts = (_text(node.left), _text(node.right))
        return "".join(p or "" for p in parts)
    return None


def _called(node: ast.Call) -> str:
    called = node.func
    return called.attr if isinstance(called, ast.Attribute) else called.id if isinstance(called, ast.Name) else ""


def _is_command(node: ast.AST) -> bool:
    return isinstance(node, ast.Call) and _called(node) in ("command", "callback")


def _docstrings(tree: ast.AST) -> Iterator[ast.AST]:
    """Docstrings, and the strings that stand alone as notes on a constant."""
    for node in ast.walk(tree):
        for child in getattr(node, "body", []) if not isinstance(node, ast.Lambda | ast.IfExp) else []:
            if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
                yield child.value


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        """Keep what holds a word."""
        self.found += [line for part in re.split(r"\s{2,}|\n", data) if (line := part.strip())]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the attributes that a person or a screen reader gets."""
        self.found += [v for k, v in attrs if k in ("aria-label", "title", "alt") and v]


def _of_template(path: Path) -> set[str]:
    source = re.sub(r"{%.*?%}|{#.*?#}", "", path.read_text(encoding="utf-8"), flags=re.S)
    words = _Words()
    words.feed(re.sub(r"{{.*?}}", "{}", source, flags=re.S))
    return {text for text in words.found if re.search(r"[A-Za-z]{2}", text.replace("{}", ""))}


def _of_yaml(path: Path) -> set[str]:
    tree = YAML(typ="safe", pure=True).load(path.read_text(encoding="utf-8"))
    every = "words" in path.parts
    return set(_leaves(tree, every))


def _leaves(node: Any, spoken: bool) -> Iterator[str]:
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _leaves(value, spoken or key in SPOKEN_KEYS)
    elif isinstance(node, list):
        for value in node:
            yield from _leaves(value, spoken)
    elif isinstance(node, str) and spoken:
        yield _one_line(node)


def _one_line(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip()


def main() -> None:
    """Print the list, then how many there are of each kind."""
    found = texts(Path(sys.argv[1]).resolve() if len(sys.argv) > 1 else ROOT)
    for one in found:
        print(f"{one.kind}\t{one.file}\t{one.text}")
    counts = Counter(one.kind for one in found)
    print(", ".join(f"{counts[kind]} {kind}" for kind in KINDS))


if __name__ == "__main__":
    main()
