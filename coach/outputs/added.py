"""Outputs of other packages, by entry points in the group ``corner_coach.outputs``.

``--output`` selects it by name; its value is a callable that takes options as keyword arguments (text) and returns an
:class:`coach.outputs.base.Output`. A faulty one is reported once and never stops the run.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib.metadata import entry_points
from typing import Final

from coach.errors import OutputError
from coach.outputs.base import Output

GROUP: Final = "corner_coach.outputs"


def open_added(wanted: Iterable[str]) -> list[Output]:
    """Return the outputs of ``NAME`` or ``NAME:KEY=VALUE,...``; raise OutputError naming the available ones or the
    fault.
    """
    return [_open(text) for text in wanted]


def _open(text: str) -> Output:
    name, _, rest = text.partition(":")
    options = dict(pair.partition("=")[::2] for pair in rest.split(",") if pair)
    points = {point.name: point for point in entry_points(group=GROUP)}
    if name not in points:
        there = ", ".join(sorted(points)) or "none: install a package that adds one"
        raise OutputError(f"--output: expected one of {there}; found {name!r}")
    try:
        made: Output = points[name].load()(**options)
    except Exception as error:  # code of another package may raise anything; the user gets one line
        raise OutputError(f"--output {name}: {type(error).__name__}: {error}") from error
    return made
