"""Output and prompts of ``coach import`` and ``coach map try``."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.live import Live
from rich.table import Table

from coach.app.importing import Done, Found
from coach.app.sources.files import Trial
from coach.cli.show import as_json as print_json
from coach.cli.show import console, say
from coach.outputs.console import lap_time


def _table(trial: Trial) -> Table:
    table = Table("field", "last", "smallest", "largest", "there", "changes", "looks wrong", box=None)
    for row in trial.rows():
        values = [f"{v:.3f}" if v == v else "-" for v in (row.last, row.low, row.high)]
        table.add_row(row.field, *values, str(row.present), str(row.changes), row.doubt)
    return table


@contextmanager
def live() -> Iterator[Callable[[Trial], None]]:
    """Return a table refreshed as datagrams arrive."""
    with Live(console=console, transient=True, auto_refresh=False) as shown:
        yield lambda trial: shown.update(_table(trial), refresh=True)


def show_trial(trial: Trial) -> None:
    """Print the final table, and problems of the whole map."""
    console.print(_table(trial))
    say(f"{trial.counters.get('received', 0)} datagrams, {len(trial.frames)} frames kept")
    for problem in trial.problems():
        say(f"looks wrong: {problem}")


def show_guess(found: Found) -> None:
    """Print which column serves which field, and why."""
    say(f"{found.file}: {len(found.table)} rows, {len(found.table.names)} columns")
    table = Table("field", "column", "unit", "sure", "because", box=None)
    for guess in found.guesses:
        table.add_row(guess.field, guess.column, guess.unit or "-", f"{guess.likelihood:.0%}", guess.reason)
    console.print(table)
    show_not_taken(found)


def show_not_taken(found: Found) -> None:
    """Print every ignored column, and why."""
    for one in found.not_taken:
        say(f"not imported: {one.column}: {one.why}")


def ask() -> bool:
    """Ask whether the guess is right."""
    import typer

    return typer.confirm("Import with these columns? (no: write a map with --write-map and edit it)", default=True)


def show_imported(done: Done, json: bool) -> None:
    """Print the result of an import."""
    made = done.imported
    if json:
        print_json(
            {
                "session": str(done.folder),
                "frames": made.data.shape[1],
                "rate_hz": made.rate_hz,
                "given": made.given,
                "inferred": made.inferred,
                "laps": [{"lap": lap.lap, "time_s": lap.time_s, "complete": lap.complete} for lap in made.laps],
                "counters": made.counters,
                "notes": made.notes,
                "not_taken": [{"column": one.column, "why": one.why} for one in done.not_taken],
            }
        )
        return
    for note in made.notes:
        say(note)
    laps = [lap.time_s for lap in made.laps if lap.complete]
    best = f", fastest {lap_time(min(laps))}" if laps else ""
    say(f"{made.data.shape[1]} frames at {made.rate_hz:.1f} Hz, {len(laps)} full laps{best}")
    say(f"session: {done.folder}")
    say(f"next: coach survey {done.folder}, or coach debrief {done.folder}")
