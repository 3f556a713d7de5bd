"""Prints headroom."""

from __future__ import annotations

from typing import Final

from rich.table import Table

from coach.app.review.debrief import Debrief
from coach.cli.show import console, say
from coach.core.diagnose.advice import to_do
from coach.core.measure.grip_use import PHASES
from coach.core.unit_system import METRIC, Units
from coach.outputs.console import lap_time

MAX_CORNERS: Final = 6


def show_headroom(done: Debrief, system: Units = METRIC) -> None:
    """Print corners by headroom, with the share of the car's limits used in each phase."""
    if done.reachable_s is None or not done.headroom:
        return
    say(f"where the next second is: {lap_time(done.reachable_s)} is within what your car has shown")
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("corner", no_wrap=True)
    for heading in ("left, s", "90 % interval", *PHASES):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("do this")
    for one in done.headroom[:MAX_CORNERS]:
        use = ["-" if (u := one.grip_use[phase]) is None else f"{100 * u:.0f} %" for phase in PHASES]
        between = f"{max(one.low_s, 0.0):.2f}-{one.high_s:.2f}"
        advice = to_do(one.fault, one.amount, system) if one.fault else ""
        table.add_row(one.corner, f"{one.headroom_s:.2f}", between, *use, advice)
    console.print(table)
    console.print()
