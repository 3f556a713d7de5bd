"""``coach drive``: the live run."""

from __future__ import annotations

from pathlib import Path

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def drive(
        feed: str = typer.Option("practice", "--feed", help="practice, udp, map, nmea or replay."),
        profile: str = typer.Option("hollow_ridge", "--profile", help="Profile folder or name."),
        rules: str = typer.Option("improving", "--rules", help="first_laps, improving, race, or a rule file."),
        driver: str = typer.Option("driver", "--driver", help="Whose progress is kept."),
        laps: int | None = typer.Option(None, "--laps", min=1, help="End after this many whole laps."),
        host: str = typer.Option("127.0.0.1", "--host", help="Address to listen on (udp, map, nmea)."),
        port: int | None = typer.Option(None, "--port", min=1, max=65535, help="Port to listen on."),
        packet_map: Path | None = typer.Option(None, "--map", help="Packet map (feed map)."),
        capture: Path | None = typer.Option(
            None, "--capture", help="Play this capture instead of listening (feed map)."
        ),
        receiver: str = typer.Option(
            "", "--receiver", help="udp:HOST:PORT, tcp:HOST:PORT, serial:DEVICE[:BAUD] or file:PATH (feed nmea)."
        ),
        latency: float = typer.Option(
            0.1, "--latency", min=0.0, max=2.0, help="Delay of the receiver [s] (feed nmea)."
        ),
        session: Path | None = typer.Option(None, "--session", help="Session to play (feed replay)."),
        speed: str = typer.Option("1", "--speed", help="Pace of practice and replay: 1, N or max."),
        seed: int = typer.Option(1, "--seed", help="Seed of the practice driver."),
        rate: float = typer.Option(60.0, "--rate", min=20.0, max=360.0, help="Frames a second of the practice feed."),
        voice: bool = typer.Option(True, "--voice/--no-voice", help="Speak."),
        overlay: bool = typer.Option(True, "--overlay/--no-overlay", help="Show the delta bar."),
        quiet: bool = typer.Option(False, "--quiet", help="No voice, no overlay, no lines: only record."),
        record: Path | None = typer.Option(None, "--record", help="Session folder to make."),
        no_record: bool = typer.Option(False, "--no-record", help="Do not record."),
        words_per_minute: int = typer.Option(160, "--words-per-minute", min=120, max=200, help="Rate of speech."),
    ) -> None:
        """Drive with spoken cues. Without options: the built-in practice feed."""
        from coach.app.drive import DriveOptions
        from coach.app.drive import drive as run
        from coach.app.sources import Asked
        from coach.cli.progress import phrase_progress
        from coach.cli.show import show_ran, warn

        asked = Asked(feed, host, port, packet_map, capture, receiver, latency, session, speed, seed, rate, laps)
        options = DriveOptions(
            asked, profile, rules, driver, laps, voice, overlay, quiet, record, not no_record, words_per_minute
        )
        with phrase_progress() as progress:
            ran = run(options, warn, progress)
        if not quiet:
            show_ran(ran)
