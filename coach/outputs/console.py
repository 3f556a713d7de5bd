"""Prints one short line for each lap and each spoken cue."""

from __future__ import annotations

import math

from rich.console import Console
from rich.text import Text

from coach.core.values import Decision, LapDone
from coach.outputs.base import Quiet
from coach.outputs.overlay import colours
from coach.outputs.overlay.colours import web_colour

GAINED, LOST = web_colour(colours.GAINED), web_colour(colours.LOST)


def lap_time(seconds: float) -> str:
    """Return a lap time as minutes, seconds and thousandths: ``1:32.045``; a dash if unknown."""
    if not math.isfinite(seconds):
        return "-"
    thousandths = round(seconds * 1000)
    return f"{thousandths // 60000}:{thousandths % 60000 / 1000:06.3f}"


def lap_line(lap: LapDone) -> Text:
    """Return the line for a lap: number, time, difference to the reference, and why it does not count."""
    line = Text(f"lap {lap.lap:>3}  {lap_time(lap.time_s)}")
    if math.isfinite(lap.delta_s):
        line.append(f"  {lap.delta_s:+.3f} s", style=LOST if lap.delta_s > 0 else GAINED)
    if not lap.valid:
        line.append(f"  does not count: {lap.why_invalid or 'not valid'}", style="dim")
    elif lap.short_m:
        line.append(f"  its last {lap.short_m:.0f} m extrapolated", style="dim")
    return line


def corner_before(decision: Decision) -> str:
    """Return the corner's name before a printed cue; "" where there is none or the text begins with it."""
    return "" if decision.text.startswith(decision.corner) else f"{decision.corner}: "


def cue_line(decision: Decision) -> Text:
    """Return the line for a spoken cue: session time, corner, words."""
    line = Text(f"{decision.t_s:9.1f} s  ", style="dim")
    line.append(corner_before(decision), style="dim")
    line.append(decision.text, style="bold red" if decision.safety else "bold")
    return line


class ConsoleOutput(Quiet):
    """Prints laps and spoken cues, but neither held cues nor views."""

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or Console(highlight=False, markup=False, emoji=False)

    def decision(self, decision: Decision) -> None:
        """Print a spoken cue."""
        if decision.outcome == "spoken":
            self._console.print(cue_line(decision), soft_wrap=True)

    def lap(self, lap: LapDone) -> None:
        """Print a lap."""
        self._console.print(lap_line(lap), soft_wrap=True)
