"""``coach check``, ``send`` and ``map``: test rules, feeds and packet maps."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import BEFORE, CHECKING, UNITS_HELP, units_named


def register(app: typer.Typer) -> None:
    """Add the commands."""
    _check(app)
    _send(app)
    _map(app)


def _check(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=CHECKING)
    def check(
        folder: Path | None = typer.Argument(None, help="A session with an expect.yaml, or a folder of such sessions."),
        renew: bool = typer.Option(False, "--renew", help="Accept the new decisions: rewrite the expected logs."),
        audit: str | None = typer.Option(None, "--audit", help="Rule file or name: print every phrase it can say."),
        profile: str = typer.Option("hollow_ridge", "--profile", help="Profile folder or name for --audit."),
        language: str = typer.Option(
            "en", "--language", envvar="COACH_LANGUAGE", help="Language for --audit: en, de or a language file."
        ),
        units: str = typer.Option("metric", "--units", envvar="COACH_UNITS", help=UNITS_HELP),
        as_json: bool = typer.Option(False, "--json", help="Print the result as JSON."),
    ) -> None:
        """Replay sessions and compare the cues with those expected. Exit code 1 when they differ."""
        from coach.cli import show_check

        if audit is not None:
            from coach.app.replay.auditing import audit_phrases

            code = show_check.show_audit(
                audit_phrases(profile, audit, language=language, units=units_named(units).name), as_json
            )
        elif folder is None:
            raise typer.BadParameter("expected a folder, or --audit RULES", param_hint="FOLDER")
        else:
            from coach.app.replay.check import check_folder

            told = None if as_json else show_check.show_one
            code = show_check.show_end(folder, check_folder(folder, renew, told), as_json)
        raise typer.Exit(code)


def _send(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=CHECKING)
    def send(
        session: Path = typer.Argument(..., help="Session folder."),
        to: str = typer.Option("127.0.0.1:20770", "--to", help="HOST:PORT to send to."),
        speed: str = typer.Option("1", "--speed", help="Pace: 1 is real time, N times that, or max."),
        as_text: bool = typer.Option(False, "--text", help="Send JSON instead of MessagePack."),
    ) -> None:
        """Send a session over UDP, to test a live run."""
        from coach.app.sources import send_session
        from coach.cli.show import say

        sent = send_session(session, to, speed, as_text)
        say(
            f"sent {sent.datagrams} datagrams, {sent.bytes} bytes"
            + (f", {sent.refused} refused" if sent.refused else "")
        )


def _map(app: typer.Typer) -> None:
    """Add the group."""
    group = typer.Typer(help="Bind your simulator's own UDP packets: try, capture and play.", no_args_is_help=True)
    app.add_typer(group, name="map", rich_help_panel=BEFORE)

    @group.command("try")
    def try_(
        context: typer.Context,
        packet_map: Path = typer.Argument(..., help="Packet map (YAML)."),
        port: int | None = typer.Option(
            None, "--port", min=1, max=65535, help="UDP port to listen on. Default: the map's."
        ),
        host: str = typer.Option("127.0.0.1", "--host", help="Address to listen on."),
        capture: Path | None = typer.Option(None, "--capture", help="Read this capture instead of listening."),
        seconds: float = typer.Option(15.0, "--seconds", min=0.5, help="Time to listen, s."),
        as_json: bool = typer.Option(False, "--json", help="Print the result as JSON."),
    ) -> None:
        """Show each decoded field live, and what looks wrong: units, axes, byte order."""
        from coach.app.mapping import NoPacketsError, nothing_came, try_map
        from coach.cli.importing import live, show_trial
        from coach.cli.show import as_json as print_json
        from coach.cli.usage import typed

        if capture is not None and (idle := sorted({"host", "port", "seconds"} & typed(context))):
            raise typer.BadParameter(f"--{idle[0]} does nothing with --capture, which is read from a file")
        if as_json:
            from coach.app.sources.files import trial_answer

            trial = try_map(packet_map, host, port, capture, seconds)
            print_json(trial_answer(trial))
            if not trial.counters.get("received"):
                raise typer.Exit(2)
            return
        with live() as on_change:
            trial = try_map(packet_map, host, port, capture, seconds, on_change)
        if not trial.counters.get("received"):
            raise NoPacketsError(nothing_came(trial, host, port, capture, seconds))
        show_trial(trial)
        if trial.problems() or any(row.doubt for row in trial.rows()):
            raise typer.Exit(1)

    @group.command()
    def capture(
        file: Path = typer.Argument(..., help="Capture file to make."),
        port: int = typer.Option(..., "--port", min=1, max=65535, help="UDP port to listen on."),
        host: str = typer.Option("127.0.0.1", "--host", help="Address to listen on."),
        seconds: float = typer.Option(60.0, "--seconds", min=0.5, help="Time to listen, s."),
    ) -> None:
        """Record raw packets to a file, to try maps on later."""
        from coach.app.mapping import keep_datagrams

        typer.echo(f"{keep_datagrams(file, host, port, seconds)} datagrams: {file}")

    @group.command()
    def play(
        file: Path = typer.Argument(..., help="Capture file."),
        to: str = typer.Option("127.0.0.1:20770", "--to", help="HOST:PORT to send to."),
        speed: str = typer.Option("1", "--speed", help="Pace: 1 is real time, N times that, or max."),
    ) -> None:
        """Send a recorded capture again."""
        from coach.app.mapping import play_capture

        typer.echo(f"{play_capture(file, to, speed)} datagrams sent")
