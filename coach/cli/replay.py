"""``coach replay``: reruns a recorded session through the core and writes its decision log."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import AFTER, LANGUAGE_HELP, UNITS_HELP, units_named


def register(app: typer.Typer) -> None:
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
