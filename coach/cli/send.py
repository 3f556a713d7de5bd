"""``coach send``: play a session as datagrams, to test a live run over a real socket."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import CHECKING


def register(app: typer.Typer) -> None:
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
