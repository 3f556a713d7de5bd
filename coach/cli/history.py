"""``coach history``: progress over sessions, which cues worked, best laps."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import AFTER


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=AFTER)
    def history(
        circuit: str | None = typer.Argument(None, help="Name of the circuit. Default: list the circuits."),
        driver: str | None = typer.Option(None, "--driver", help="Only this driver's sessions."),
        add: list[Path] = typer.Option([], "--add", help="Session folder to add first (again if it is already there)."),
        file: Path | None = typer.Option(None, "--file", help="History file, instead of this machine's own."),
        as_json: bool = typer.Option(False, "--json", help="Print everything as JSON."),
    ) -> None:
        """Show progress over sessions. Best laps, losses per corner, which cues worked."""
        from coach.app.review.remembering import history_file, remember_session
        from coach.cli.show_debrief import show_circuits, show_history
        from coach.session.history import History

        with History(file or history_file()) as kept:
            for session in add:
                remember_session(kept, session)
            if circuit is None:
                show_circuits(kept, as_json)
            else:
                show_history(kept, circuit, driver, as_json)
