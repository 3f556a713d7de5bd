"""Figures that benches write, and README's that a test compares with them.

A bench with ``--write tests/figures/NAME.json`` writes what it printed as JSON. In README the number that comes from
such a file is followed by a comment with its path and, unless written unchanged, a format; what is claimed
in words is followed by the comparison it rests on. A blank in a key is ``_``; lists count from 0.

    0.38 s <!-- figure: closed_loop/all/product/silent .2f --> for 94 % <!-- figure: closed_loop/.../share .0% -->
    The gap is smaller than alone <!-- claim: closed_loop/product_against/alone/silent_low > 0 -->
"""

from __future__ import annotations

import json
import operator
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

FOLDER: Final = Path(__file__).resolve().parents[1] / "figures"
FIGURE: Final = re.compile(r"<!-- figure: (?P<path>\S+)(?: (?P<form>\S+))? -->")
CLAIM: Final = re.compile(r"<!-- claim: (?P<left>\S+) (?P<sign><|>|<=|>=|==) (?P<right>\S+) -->")
NUMBER: Final = re.compile(r"(-?\d[\d,]*(?:\.\d+)?|-?\.\d+)[^\d]*$")
COMPARED: Final = {"<": operator.lt, ">": operator.gt, "<=": operator.le, ">=": operator.ge, "==": operator.eq}


def write_figures(path: str | Path, figures: dict[str, Any]) -> None:
    """Write a figures file, sorted and rounded so that a second run of the same code writes the same bytes."""
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(json.dumps(_rounded(figures), indent=1, sort_keys=True, allow_nan=False) + "\n", encoding="utf-8")


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _rounded(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(v) for v in value]
    if isinstance(value, float):
        return round(value, 6) if value == value and abs(value) != float("inf") else None
    return value


def figure_at(path: str, folder: Path = FOLDER) -> Any:
    """The value at ``NAME/key/key`` of ``folder/NAME.json``; KeyError names what is not there and what is."""
    name, *keys = path.split("/")
    file = folder / f"{name}.json"
    if not file.exists():
        raise KeyError(f"{path}: there is no {file}; the bench writes it with --write")
    value = json.loads(file.read_text(encoding="utf-8"))
    for key in keys:
        pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        known = {str(k).replace(" ", "_"): v for k, v in pairs}
        if key not in known:
            raise KeyError(f"{path}: no {key!r} in {file.name}; there are {', '.join(known) or 'no more keys'}")
        value = known[key]
    return value


def written(value: float, form: str | None) -> str:
    """Format a value as README does: unchanged, or in ``form`` (Python's; a percentage without its sign)."""
    if form is None:
        return str(value)
    return format(value, form).removesuffix("%").strip()


def stale(text: str, folder: Path = FOLDER) -> Iterator[str]:
    """Return wrong figures and claims of ``text``: line, the written value, the file's value."""
    for number, line in enumerate(text.splitlines(), start=1):
        for mark in FIGURE.finditer(line):
            before = NUMBER.search(FIGURE.sub(_blank, CLAIM.sub(_blank, line[: mark.start()])))
            try:
                expected = written(figure_at(mark["path"], folder), mark["form"])
            except KeyError as error:
                yield f"line {number}: {error.args[0]}"
                continue
            found = before[1].replace(",", "") if before else "no number"
            if found.lstrip("0") != expected.replace(",", "").lstrip("0"):
                yield f"line {number}: {found} is written, {mark['path']} is {expected}"
        for mark in CLAIM.finditer(line):
            try:
                sides = [_side(mark[side], folder) for side in ("left", "right")]
            except KeyError as error:
                yield f"line {number}: {error.args[0]}"
                continue
            if not COMPARED[mark["sign"]](*sides):
                yield f"line {number}: {mark['left']} is {sides[0]}, which is not {mark['sign']} {mark['right']}"


def _blank(mark: re.Match[str]) -> str:
    """Comments hold digits too, which are no figures."""
    return " " * len(mark[0])


def _side(text: str, folder: Path) -> float:
    """One side of a claim: a number, or the path of one."""
    try:
        return float(text)
    except ValueError:
        return float(figure_at(text, folder))


def unmarked(text: str, folder: Path = FOLDER) -> Iterator[str]:
    """Rows of tables whose command has a figures file, and in which no figure is marked."""
    for number, line in enumerate(text.splitlines(), start=1):
        command = re.search(r"tests/(?:tools|benchmarks)/(\w+)\.py", line)
        if line.startswith("|") and command and (folder / f"{command[1]}.json").exists() and not FIGURE.search(line):
            yield f"line {number}: figures of {command[1]}.py without a mark"
