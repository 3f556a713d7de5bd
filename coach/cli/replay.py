"""``coach replay``: a recorded session through the core again, and the decision log of it."""

from __future__ import annotations

from pathlib import Path

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def replay(
        session: Path = typer.Argument(..., help="Session folder."),
        speed: str = typer.Option("max", "--speed", help="1, N times real time, or max."),
        profile: str | None = typer.Option(None, "--profile", help="Profile folder or name, instead of the session's."),
        rules: str | None = typer.Option(None, "--rules", help="Rule file or name, instead of the session's."),
        log: Path | None = typer.Option(None, "--log", help="Write the decision log (JSON lines) here."),
        with_voice: bool = typer.Option(False, "--voice", help="Speak the cues (at speed 1)."),
        with_overlay: bool = typer.Option(False, "--overlay", help="Show the overlay."),
        as_json: bool = typer.Option(False, "--json", help="Print a summary as JSON."),
    ) -> None:
        """Run a recorded session again, to test profiles and rules."""
        from coach.app.replaying import replay_session
        from coach.cli.show import show_replay

        done = replay_session(session, speed, profile, rules, log, with_voice, with_overlay)
        show_replay(done, as_json)
