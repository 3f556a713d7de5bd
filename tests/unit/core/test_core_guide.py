"""The guide for contributors says what the code says."""

from __future__ import annotations

from pathlib import Path

from coach.core.phases import diagram
from coach.outputs.bus.table import TABLE

GUIDE = (Path(__file__).parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_phase_diagram_is_the_one_of_the_table() -> None:
    """The diagram in the guide is generated from the table of phases."""
    assert diagram() in GUIDE


def test_the_message_table_names_every_topic() -> None:
    """Each topic of the bus stands in the guide with its type."""
    assert [] == [t.name for t in TABLE if f"| {t.name} | `{t.type.__name__}` |" not in GUIDE]
