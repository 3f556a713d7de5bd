"""Lists the columns an import ignores, and why: nothing is left out silently."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec
import numpy as np

from feeds.importers.table import Table
from feeds.importers.words import VOCABULARY, likeness


class NotTaken(msgspec.Struct, frozen=True):
    """A column and the reason."""

    column: str
    why: str


def not_taken(table: Table, taken: Mapping[str, str], by_map: bool = False) -> list[NotTaken]:
    """Return all columns but the ``taken`` ones (field -> column), in the order of the file."""
    used = set(taken.values())
    return [NotTaken(name, _why(table, name, taken, by_map)) for name in table.names if name not in used]


def _why(table: Table, name: str, taken: Mapping[str, str], by_map: bool) -> str:
    values = table.numbers(name)
    good = values[np.isfinite(values)]
    if not len(good):
        return "empty" if not table.filled(name) else "text, expected numbers"
    if by_map:
        return "not in the column map"
    if float(np.ptp(good)) == 0.0:
        return f"always {good[0]:g}"
    named = max(((likeness(table.bare_name(name), field)[0], field) for field in VOCABULARY), default=(0.0, ""))
    if named[0] > 0.3:
        field = named[1]
        if field in taken:
            return f"{field} is taken from {taken[field]!r}"
        return f"named like {field}, but its values ({good.min():.4g} to {good.max():.4g}) or its unit are not"
    return "no use for it: neither its name nor its values are those of a field"
