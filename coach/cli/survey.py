"""``coach survey``: reference and profile from the laps of a session."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from coach.cli.usage import BEFORE


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=BEFORE)
    def survey(
        sessions: list[Path] | None = typer.Argument(
            None,
            help="Session folder (or its frame stream). Default: your newest session. More sessions with the same car "
            "add to what it has shown.",
        ),
        output: Path | None = typer.Option(
            None, "-o", "--output", help="Profile folder to make or update. Default: profile in the session folder."
        ),
        reference_lap: int | None = typer.Option(
            None, "--reference-lap", min=0, help="Number of the lap to take instead of the best."
        ),
        circuit: str = typer.Option(
            "", "--circuit", help="Name of the circuit. Default: the profile's or the session's."
        ),
        replace: bool = typer.Option(
            False, "--replace", help="Accept a slower reference, or another circuit's; the old one is kept beside it."
        ),
        target: Annotated[
            Literal["best", "reachable"],
            typer.Option(help="What to coach against: your best lap, or the lap your own car allows on its line."),
        ] = "best",
        as_json: bool = typer.Option(False, "--json", help="Print the result as JSON."),
    ) -> None:
        """Make a profile from your own laps. A second survey keeps your edits."""
        from coach.app.paths import newest_session
        from coach.app.surveying import survey_session
        from coach.cli.show import warn
        from coach.cli.show_survey import show_survey

        first, *also = sessions or [newest_session(warn)]
        done = survey_session(first, output, reference_lap, circuit, replace, target, also)
        show_survey(done, as_json)
