"""``coach guide``: a circuit corner by corner, as text, page or speech."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import BEFORE, UNITS_HELP, units_named


def register(app: typer.Typer) -> None:
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
            help="Language of the voice: en, de or a language file. Screens stay English.",
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
