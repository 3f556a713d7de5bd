"""Dependencies go one way: the imports of every module are read and forbidden arrows fail."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODULES = sorted(p for room in ("coach", "feeds") for p in (ROOT / room).rglob("*.py"))
NO_EFFECTS = {
    "asyncio", "ctypes", "datetime", "glob", "http", "io", "logging", "multiprocessing", "os", "pathlib", "queue",
    "random", "secrets", "shutil", "signal", "socket", "sqlite3", "ssl", "subprocess", "sys", "tempfile", "threading",
    "time", "urllib", "uuid", "wave", "zoneinfo",
}  # fmt: skip
"""Parts of the standard library that reach a clock, a thread, chance or the outside."""
CALLS = {"open", "print", "input", "exec", "eval", "__import__", "breakpoint"}
DOOR = "coach.app.sources"
"""The one place in coach/ that reaches the feeds themselves."""
EVERYONE = ("feeds.frame", "feeds.errors", "feeds.wrong_value")
ALSO = {
    "coach.session": ("feeds.frame_stream",),
    "coach.profile": ("feeds.yaml_marks",),
    "coach": ("feeds.base",),
}
"""The file format of frames is the feeds' own, so that a feed can replay without the coach. What the package exports
includes the contract of a feed."""


def name_of(path: Path) -> str:
    """The module's dotted name."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path, typing_too: bool = True) -> Iterator[str]:
    """Every module a file imports, anywhere in it; with ``typing_too`` also what only type checkers see."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    hidden: set[ast.AST] = set()
    if not typing_too:
        for node in ast.walk(tree):
            if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
                hidden.update(inner for part in node.body for inner in ast.walk(part))
    for node in ast.walk(tree):
        if node in hidden:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""


def top_imports(path: Path) -> Iterator[str]:
    """The modules a file imports when it is loaded, not later inside a function."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module or ""


def under(module: str, *roots: str) -> bool:
    """Whether ``module`` is one of ``roots`` or inside it."""
    return any(module == root or module.startswith(root + ".") for root in roots)


@pytest.mark.parametrize("path", [p for p in MODULES if "coach/core" in p.as_posix()], ids=name_of)
def test_the_core_reaches_nothing_outside(path: Path) -> None:
    """coach.core imports numpy, scipy, msgspec, the frame, itself and the harmless part of the standard library;
    it opens nothing, prints nothing, and knows no clock, thread or chance."""
    for module in imports(path):
        own = under(module, "numpy", "scipy", "msgspec", "feeds.frame", "coach.core")
        top = module.partition(".")[0]
        harmless = top in sys.stdlib_module_names and top not in NO_EFFECTS
        assert own or harmless, f"{name_of(path)} imports {module}"
        assert not under(module, "numpy.random"), name_of(path)
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in CALLS, f"{name_of(path)} calls {node.func.id}"
        if isinstance(node, ast.Attribute):
            assert ast.unparse(node) not in {"np.random", "numpy.random"}, name_of(path)


@pytest.mark.parametrize("path", [p for p in MODULES if p.relative_to(ROOT).parts[0] == "feeds"], ids=name_of)
def test_feeds_know_nothing_of_the_coach(path: Path) -> None:
    """feeds/ imports nothing of coach/."""
    assert [] == [m for m in imports(path) if under(m, "coach")]


@pytest.mark.parametrize("path", [p for p in MODULES if p.relative_to(ROOT).parts[0] == "coach"], ids=name_of)
def test_the_coach_reaches_the_feeds_in_one_place(path: Path) -> None:
    """Beside the frame, the errors and the frame file, only coach.app.sources reaches feeds/."""
    module = name_of(path)
    also = [
        m for room, some in ALSO.items() for m in some if module == room or (room != "coach" and under(module, room))
    ]
    allowed = ("feeds",) if under(module, DOOR) else (*EVERYONE, *also)
    assert [] == [m for m in imports(path) if under(m, "feeds") and not under(m, *allowed)]


ROOMS = ("coach.inputs", "coach.outputs", "coach.pages", "coach.profile", "coach.session", "coach.survey")
"""They know what is common and themselves; app and cli put them together."""
COMMON = ("coach.core", "coach.errors", "coach.files", "coach.identity")
BORROWED = {"coach.inputs": ("coach.outputs.child",)}
"""A helper process talks to its parent in one way, whichever room it is of."""


@pytest.mark.parametrize("room", ROOMS)
def test_rooms_do_not_know_each_other(room: str) -> None:
    """Outputs, pages, profiles, sessions and the survey know what is common, not one another, nor app or cli."""
    wrong = [
        f"{name_of(p)} -> {m}"
        for p in MODULES
        if under(name_of(p), room)
        for m in imports(p, typing_too=False)
        if under(m, "coach") and not under(m, room, *COMMON, *BORROWED.get(room, ()))
    ]
    assert [] == wrong


def test_only_the_command_line_knows_the_command_line() -> None:
    """Nothing but coach/cli, coach/__main__ imports coach.cli; the app does not print through it."""
    wrong = [
        f"{name_of(p)} -> {m}"
        for p in MODULES
        if not under(name_of(p), "coach.cli", "coach.__main__")
        for m in imports(p)
        if under(m, "coach.cli")
    ]
    assert [] == wrong


ONE_SYSTEM = {"fcntl", "grp", "msvcrt", "posix", "pty", "pwd", "resource", "termios", "winreg", "Xlib"}
"""Modules that only one kind of system has."""


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_module_of_one_system_is_imported_at_the_top(path: Path) -> None:
    """Every module can be imported on every system: what only one has is imported where it is used."""
    body = ast.parse(path.read_text(encoding="utf-8")).body
    for node in body:
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        assert not {name.partition(".")[0] for name in names} & ONE_SYSTEM


def test_the_optimiser_is_loaded_by_the_fit_alone() -> None:
    """scipy.optimize takes its time to load: only coach.survey.envelope names it, and a live start does not import that
    (coach.app reaches it inside the function that surveys)."""
    named = {name_of(p) for p in MODULES for m in imports(p) if under(m, "scipy.optimize")}
    assert named == {"coach.survey.envelope.quantile"}
    fit = ("coach.survey.envelope.fit", "coach.survey.envelope.quantile", "coach.survey.envelope.reachable")
    outside = [p for p in MODULES if not under(name_of(p), "coach.survey.envelope")]
    top = {name_of(p) for p in outside for m in top_imports(p) if under(m, *fit)}
    assert set() == top


def test_the_test_reads_something() -> None:
    """The list of modules is not empty, and a planted arrow would be seen."""
    assert len(MODULES) > 100
    assert {"coach.core.pipeline", "feeds.frame", DOOR} <= {name_of(p) for p in MODULES}
    door = [p for p in MODULES if under(name_of(p), DOOR)]
    assert "feeds.registry" in {m for p in door for m in imports(p)}
