"""``coach map try`` and ``coach map capture``: bind a sender by a packet map, and check it live."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.panels import BEFORE


def register(app: typer.Typer) -> None:
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
        from coach.cli.mapping import live, show_trial
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
