"""``coach debrief``: where the time went, after the run."""

from __future__ import annotations

from pathlib import Path

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def debrief(
        session: Path = typer.Argument(..., help="Session folder."),
        profile: str | None = typer.Option(None, "--profile", help="Profile folder or name, instead of the session's."),
        as_json: bool = typer.Option(False, "--json", help="Print everything as JSON (schema in the README)."),
    ) -> None:
        """Three places to gain, what they cost and what to do; losses per corner; consistency; possible best."""
        from coach.app.debriefing import debrief_session
        from coach.cli.show import show_debrief

        show_debrief(debrief_session(session, profile), as_json)
