"""``coach debrief``: where the time went, after the run."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import AFTER, UNITS_HELP, units_named


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=AFTER)
    def debrief(
        session: Path | None = typer.Argument(None, help="Session folder. Default: your newest session."),
        profile: str | None = typer.Option(None, "--profile", help="Profile folder or name, instead of the session's."),
        units: str | None = typer.Option(
            None, "--units", envvar="COACH_UNITS", help=UNITS_HELP + " Default: the session's."
        ),
        as_json: bool = typer.Option(False, "--json", help="Print everything as JSON for a program."),
        html: Path | None = typer.Option(None, "--html", help="Write it as one HTML page that works offline."),
        keep: bool = typer.Option(True, "--keep/--no-keep", help="Add the session to the history."),
    ) -> None:
        """Show where the time went. Three corners to gain and how; losses per corner; theoretical best."""
        from coach.app.paths import newest_session
        from coach.app.review.debrief_page import write_page
        from coach.app.review.remembering import save_reviewed
        from coach.app.review.session_review import SessionReview
        from coach.cli.progress import frame_progress
        from coach.cli.show import say, warn
        from coach.cli.show_debrief import show_debrief

        chosen = session or newest_session(warn)
        with frame_progress() as progress:
            looked = SessionReview(chosen, profile, progress, None if units is None else units_named(units).name)
        show_debrief(looked.debrief, as_json, looked.setup.rules.units)
        if html is not None:
            from coach.pages.debrief import debrief_html

            write_page(html, debrief_html(looked.view()))
            if not as_json:
                say(f"written: {html}")
        # with another profile the numbers would not match the session's
        if keep and profile is None:
            save_reviewed(looked.result, looked.setup, looked.reader, warn)
