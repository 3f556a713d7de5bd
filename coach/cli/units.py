"""The options ``--language`` and ``--units``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import typer

if TYPE_CHECKING:
    from coach.core.unit_system import Units

LANGUAGE_HELP: Final = "Language of the voice: en, de or a language file."
UNITS_HELP: Final = "metric (km/h, m), imperial (mph, ft) or yards (mph, yd, boards in yards)."


def units_named(name: str) -> Units:
    """Return the system of that name; raise typer.BadParameter for any other."""
    from coach.core.unit_system import SYSTEMS

    if name not in SYSTEMS:
        raise typer.BadParameter(f"expected one of {', '.join(SYSTEMS)}; found {name!r}", param_hint="--units")
    return SYSTEMS[name]
