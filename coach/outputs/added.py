"""Outputs of other packages, by entry points in the group ``corner_coach.outputs``.

The name is what ``--output`` takes; the value is a callable that gets its options as keyword arguments (text) and
returns an :class:`coach.outputs.base.Output`. A faulty one is said once and never stops the run.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib.metadata import entry_points
from typing import Final

from coach.errors import OutputError
from coach.outputs.base import Output

GROUP: Final = "corner_coach.outputs"


def open_added(wanted: Iterable[str]) -> list[Output]:
    """The outputs of ``NAME`` or ``NAME:KEY=VALUE,...``; OutputError names what is there or what is wrong."""
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
    except Exception as error:  # code of another package: whatever it raises, the user gets one line
        raise OutputError(f"--output {name}: {type(error).__name__}: {error}") from error
    return made
