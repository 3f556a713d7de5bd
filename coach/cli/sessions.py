"""``coach debrief``, ``history`` and ``replay``: recorded sessions."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import AFTER, LANGUAGE_HELP, UNITS_HELP, units_named


def register(app: typer.Typer) -> None:
    """Add the commands."""
    _debrief(app)
    _history(app)
    _replay(app)


def _debrief(app: typer.Typer) -> None:
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


def _history(app: typer.Typer) -> None:
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


def _replay(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=AFTER)
    def replay(
        context: typer.Context,
        session: Path = typer.Argument(..., help="Session folder."),
        speed: str = typer.Option("max", "--speed", help="Pace: 1 is real time, N times that, or max."),
        profile: str | None = typer.Option(None, "--profile", help="Profile folder or name, instead of the session's."),
        rules: str | None = typer.Option(None, "--rules", help="Rule file or name, instead of the session's."),
        log: Path | None = typer.Option(None, "--log", help="Write the decision log (JSON lines) here."),
        against: str | None = typer.Option(None, "--against", help="Compare with a rule set or an old log (.jsonl)."),
        differences: Path | None = typer.Option(
            None, "--differences", help="Write the full comparison here (with --against)."
        ),
        corner: str | None = typer.Option(
            None,
            "--explain",
            help="Name of a corner: print every cue considered there, with the reason it was said or not.",
        ),
        lap: int | None = typer.Option(None, "--lap", min=0, help="Only this lap, 0 is the out-lap (with --explain)."),
        with_voice: bool = typer.Option(False, "--voice", help="Speak the cues; use with --speed 1."),
        with_overlay: bool = typer.Option(False, "--overlay", help="Show the overlay in a window; use with --speed 1."),
        language: str | None = typer.Option(
            None,
            "--language",
            help=LANGUAGE_HELP + " Only with --rules.",
        ),
        units: str | None = typer.Option(None, "--units", help=UNITS_HELP + " Default: the session's."),
        as_json: bool = typer.Option(False, "--json", help="Print a summary as JSON."),
    ) -> None:
        """Replay a session with other rules or another profile. Shows what the coach would say."""
        from coach.app.replay.replaying import replay_session
        from coach.cli.show import as_json as print_json
        from coach.cli.show import say, show_replay
        from coach.cli.usage import refuse_without

        refuse_without(
            context, {"lap": "corner", "differences": "against", "language": "rules"}, {"corner": "--explain"}
        )
        done = replay_session(
            session,
            speed,
            profile,
            rules,
            log,
            with_voice,
            with_overlay,
            language=language,
            units=None if units is None else units_named(units).name,
        )
        if corner is not None:
            from coach.app.replay.compare import corner_named, explain, lap_driven, lines

            name = corner_named(corner, done.setup.corners)
            if lap is not None:
                lap_driven(lap, sorted({done_lap.lap for done_lap in done.laps} | {d.lap for d in done.decisions}))
            found = explain(done.decisions, name, lap)
            if as_json:
                print_json(found)
            else:
                for line in lines(found, name, lap):
                    say(line)
        if against is not None:
            from coach.app.replay.compare import compare, full, write_full
            from coach.app.replay.replaying import older_decisions
            from coach.cli.show_check import show_compared

            changed = compare(older_decisions(session, profile, against), done.decisions)
            if differences is not None:
                write_full(differences, changed)
            if as_json:
                print_json(full(changed))
            else:
                show_compared(changed, differences)
        if corner is None and against is None:
            show_replay(done, as_json)
