"""Output of ``coach map try``."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.live import Live
from rich.table import Table

from coach.app.sources.files import Trial
from coach.cli.show import console, say


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
