"""Prints a survey."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec
from rich.table import Table

from coach.cli.show import as_json, console, say
from coach.outputs.console import lap_time

if TYPE_CHECKING:
    from coach.app.surveying import SurveyOutcome


def show_survey(done: SurveyOutcome, json: bool) -> None:
    """Print laps, corners and the merge's result."""
    found = done.survey
    if json:
        as_json(
            {
                "profile": str(done.profile),
                "circuit": found.reference.circuit,
                "length_m": found.reference.length_m,
                "reference_lap": found.reference_lap,
                "lap_time_s": found.reference.lap_time_s,
                "inferred_pedals": found.reference.inferred_pedals,
                "corners": [_corner(c) for c in done.corners],
                "kept_reference": str(done.kept) if done.kept is not None else None,
                "laps": [
                    {"lap": lap.number, "time_s": lap.time_s, "valid": lap.valid, "reason": lap.reason}
                    for lap in found.laps
                ],
                "notes": found.notes,
                "merged": msgspec.to_builtins(done.merged) if done.merged is not None else None,
            }
        )
        return
    reference = found.reference
    say(
        f"{reference.circuit}: {reference.length_m:.0f} m, reference is lap {found.reference_lap} "
        f"({lap_time(reference.lap_time_s)}), {len(done.corners)} corners"
    )
    table = Table("corner", "turns", "brake", "turn-in", "apex", "exit", "end", "gear", "apex kind", "boards", box=None)
    for c in done.corners:
        places = [f"{x:.0f}" if x == x else "-" for x in (c.brake_m, c.turn_in_m, c.apex_m, c.exit_m, c.end_m)]
        boards = " ".join(f"{b:.0f}" for b in c.boards_m) or "-"
        table.add_row(c.name, c.direction, *places, str(c.gear or "-"), c.apex or "-", boards)
    console.print(table)
    for lap in found.laps:
        if not lap.valid:
            say(f"skipped: lap {lap.number} ({lap_time(lap.time_s)}): {lap.reason}")
    for note in found.notes:
        say(note)
    if done.merged is not None:
        _show_merge(done.merged)
    if done.tail:
        say(done.tail)
    if done.kept is not None:
        say(f"old reference kept: {done.kept}")
    say(f"written: {done.profile}")


def _corner(corner: Any) -> dict[str, Any]:
    return {
        name: None if isinstance(value, float) and value != value else sorted(value) if name == "muted" else value
        for name, value in msgspec.structs.asdict(corner).items()
    }


def _show_merge(merged: Any) -> None:
    for corner, fieldname, ours, theirs in merged.kept:
        say(f"kept your {fieldname} of {corner}: {ours} (the survey found {theirs})")
    if merged.added:
        say(f"new corners: {', '.join(merged.added)}")
    for corner in merged.vanished:
        say(f"{corner} was not found this time and stays unchanged")
    for corner, why in merged.refused:
        say(f"{corner}: the survey's numbers were not used: {why}")
    for direction, apex_m in merged.left_out:
        say(
            f"the {direction} corner at {apex_m:.0f} m was deleted from the profile and stays out (see its last_survey)"
        )
    say(f"{len(merged.refreshed)} numbers updated")
