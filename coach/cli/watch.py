"""``coach watch`` and ``coach keys``: the live state on a helper's machine."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import DRIVING


def register(app: typer.Typer) -> None:
    """Add both commands."""

    @app.command(rich_help_panel=DRIVING)
    def watch(
        address: str = typer.Argument(..., help="tcp://HOST:PORT as coach drive --watch prints it."),
        keys: Path | None = typer.Option(None, "--keys", help="Helper's folder of keys, for another machine."),
        overlay: bool = typer.Option(False, "--overlay", help="Show the overlay window instead of the terminal."),
    ) -> None:
        """Watch a run from another machine. Watching changes nothing."""
        from coach.cli.show import say
        from coach.outputs.watch import run_watch

        say(run_watch(address, keys, "overlay" if overlay else "terminal") or "stopped watching")

    @app.command(rich_help_panel=DRIVING)
    def keys(folder: Path = typer.Argument(..., help="Folder to make: one for the run, one for the helper.")) -> None:
        """Make keys for a helper on another machine. Only that helper can watch then."""
        from coach.cli.show import say
        from coach.outputs.bus.keys import make_keys

        run, helper = make_keys(folder)
        say(f"for the run (coach drive --keys): {run}")
        say(f"give this folder to the helper (coach watch --keys): {helper}")
