"""``coach survey``, ``edit`` and ``guide``: make a profile, edit it, hand it on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from coach.cli.usage import BEFORE, LANGUAGE_HELP, UNITS_HELP, units_named


def register(app: typer.Typer) -> None:
    """Add the commands."""
    _survey(app)
    _edit(app)
    _guide(app)


def _survey(app: typer.Typer) -> None:
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
        at_limit: bool = typer.Option(
            False, "--at-limit", help="You drove at the car's limit: take what it showed for all it can do."
        ),
        as_json: bool = typer.Option(False, "--json", help="Print the result as JSON."),
    ) -> None:
        """Make a profile from your own laps. A second survey keeps your edits."""
        from coach.app.paths import newest_session
        from coach.app.surveying import survey_session
        from coach.cli.show import warn
        from coach.cli.show_survey import show_survey

        first, *also = sessions or [newest_session(warn)]
        done = survey_session(first, output, reference_lap, circuit, replace, target, also, at_limit)
        show_survey(done, as_json)


def _edit(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=BEFORE)
    def edit(
        profile: str = typer.Argument("", help="Profile folder or name. Default: your newest profile."),
        session: Path | None = typer.Option(None, "--session", help="Session to replay on each change."),
        rules: str | None = typer.Option(None, "--rules", help="Rule file or name, instead of the session's."),
        host: str = typer.Option("127.0.0.1", "--host", help="Address to serve on; from another machine it "
                                 "takes the one-time token that is printed."),
        port: int = typer.Option(8467, "--port", min=0, max=65535, help="Port to serve on; 0 picks a free one."),
        browser: bool = typer.Option(True, "--browser/--no-browser", help="Open the page in the browser."),
    ) -> None:  # fmt: skip
        """Edit a profile in the browser. Map, traces and form; shows at once which cues change."""
        from coach.app.edit.edit_server import EditorDesk, serve
        from coach.app.paths import newest_profile
        from coach.cli.show import say, warn

        serve(EditorDesk(profile or newest_profile(warn), session, rules), host, port, browser, say)


def _guide(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=BEFORE)
    def guide(
        profile: str = typer.Argument("hollow_ridge", help="Profile folder or name."),
        output: Path | None = typer.Option(None, "-o", "--output", help="Write the guide as one HTML page."),
        speak: bool = typer.Option(False, "--speak", help="Speak it as a sighting lap on a slow replay."),
        pace: float = typer.Option(0.4, "--pace", help="Pace of the sighting lap, 0.1 to 1 times the reference's."),
        sound: Path | None = typer.Option(None, "--sound", help="Write the sighting lap as a WAV file."),
        language: str = typer.Option(
            "en",
            "--language",
            envvar="COACH_LANGUAGE",
            help=LANGUAGE_HELP + " Screens stay English.",
        ),
        units: str = typer.Option("metric", "--units", envvar="COACH_UNITS", help=UNITS_HELP),
        session: Path | None = typer.Option(None, "--session", help="Session folder whose marks to show."),
        as_json: bool = typer.Option(False, "--json", help="Print the guide as JSON."),
    ) -> None:
        """Print or speak a guide to a circuit. Board, gear, speed, apex, kerbs and limits, corner by corner."""
        from coach.app.guide.guiding import guide_view
        from coach.app.guide.sighting import check_pace
        from coach.cli.show import say
        from coach.cli.show_survey import show_guide, speak_guide
        from coach.profile.store import load_plan
        from coach.session.reader import SessionReader

        check_pace(pace)
        system = units_named(units)
        plan = load_plan(profile)
        view = guide_view(plan, system, SessionReader(session).marks() if session is not None else ())
        if output is not None:
            from coach.app.review.debrief_page import write_page
            from coach.pages.guide import guide_html

            write_page(output, guide_html(view))
            say(f"written: {output}")
        if speak or sound is not None:
            speak_guide(plan, pace, aloud=speak, sound=sound, language=language, system=system)
        elif output is None or as_json:
            show_guide(view, as_json)
