"""``coach drive``, ``watch`` and ``keys``: the run, and helpers who watch it."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import DRIVING, LANGUAGE_HELP, UNITS_HELP, units_named


def register(app: typer.Typer) -> None:
    """Add the commands."""
    _drive(app)
    _watch(app)


def _drive(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=DRIVING)
    def drive(
        context: typer.Context,
        feed: str = typer.Option(
            "",
            "--feed",
            help="Data source: practice, udp (own datagram), map (packet map), nmea (receiver) or replay (session). "
            "Default: what --map, --receiver or --session choose, else practice.",
        ),
        profile: str = typer.Option(
            "",
            "--profile",
            help="Profile folder or name. Default: the practice circuit's, the replayed session's, or none.",
        ),
        rules: str = typer.Option("improving", "--rules", help="first_laps, improving, race, ask, or a rule file."),
        survey_after: int | None = typer.Option(
            None,
            "--survey-after",
            min=0,
            help="Without a profile: make one after this many laps and coach from then on; 0: only record. Asked for "
            "on a terminal if not given.",
        ),
        circuit: str = typer.Option("", "--circuit", help="Name of the circuit for the new profile."),
        driver: str = typer.Option("driver", "--driver", help="Driver whose progress is saved."),
        laps: int | None = typer.Option(
            None, "--laps", min=1, help="Stop after this many full laps. Default: at Ctrl-C or when the feed ends."
        ),
        host: str = typer.Option("127.0.0.1", "--host", help="Address to listen on (udp, map)."),
        port: int | None = typer.Option(
            None,
            "--port",
            min=1,
            max=65535,
            help="UDP port to listen on. Default: 20770 (udp), or the map's own (map).",
        ),
        packet_map: Path | None = typer.Option(None, "--map", help="Packet map, a YAML file (chooses feed map)."),
        capture: Path | None = typer.Option(
            None, "--capture", help="Play this capture instead of listening (feed map)."
        ),
        receiver: str = typer.Option(
            "",
            "--receiver",
            help="udp:HOST:PORT, tcp:HOST:PORT, serial:DEVICE[:BAUD] or file:PATH (chooses feed nmea).",
        ),
        latency: float = typer.Option(0.1, "--latency", min=0.0, max=2.0, help="Delay of the receiver, s (feed nmea)."),
        session: Path | None = typer.Option(None, "--session", help="Session folder to play (chooses feed replay)."),
        speed: str = typer.Option(
            "1", "--speed", help="Pace of practice and replay: 1 is real time, N times that, or max."
        ),
        seed: int = typer.Option(
            1, "--seed", min=0, help="Seed of the practice driver: another number, another driver."
        ),
        rate: float = typer.Option(60.0, "--rate", min=20.0, max=360.0, help="Frame rate of the practice feed, Hz."),
        voice: bool = typer.Option(True, "--voice/--no-voice", help="Speak the cues."),
        overlay: bool = typer.Option(
            True, "--overlay/--no-overlay", help="Show the overlay; coach overlay sets it up and lists its keys."
        ),
        quiet: bool = typer.Option(False, "--quiet", help="No voice, no overlay, no lines: only record."),
        record: Path | None = typer.Option(
            None,
            "--record",
            help="Session folder to make. Default: a new one among your sessions (coach doctor says where).",
        ),
        no_record: bool = typer.Option(False, "--no-record", help="Do not record."),
        words_per_minute: int = typer.Option(
            160, "--words-per-minute", min=120, max=200, help="Speed of the voice, words a minute."
        ),
        voice_id: str = typer.Option("", "--voice-id", help="Voice to speak with (coach doctor --voices lists them)."),
        language: str = typer.Option(
            "en",
            "--language",
            envvar="COACH_LANGUAGE",
            help=LANGUAGE_HELP + " Screens stay English.",
        ),
        units: str = typer.Option("metric", "--units", envvar="COACH_UNITS", help=UNITS_HELP),
        device: str = typer.Option("", "--device", help="Sound output (coach doctor --devices lists them)."),
        volume: float = typer.Option(
            1.0, "--volume", min=0.0, max=1.0, help="Loudness of the voice, 0 silent, 1 full."
        ),
        buffer: int = typer.Option(
            512, "--buffer", min=64, max=8192, help="Sound buffer, samples; smaller is quicker, too small crackles."
        ),
        mark: bool = typer.Option(False, "--mark", help="A short soft tone before each phrase."),
        buttons: bool = typer.Option(
            True, "--buttons/--no-buttons", help="Use the bound buttons and keys (coach buttons)."
        ),
        tones: list[str] = typer.Option(
            [],
            "--tones",
            help="Tones: count (three to the brake point), release (the reference leaves the brake), delta (after "
            "each corner, high and on the right for a gain); may be given several times.",
        ),
        tone_corner: str = typer.Option("", "--tone-corner", help="Tones at this corner only, by its name."),
        watch: str = typer.Option("", "--watch", help="Let a helper watch at tcp://ADDRESS:PORT."),
        keys: Path | None = typer.Option(
            None,
            "--keys",
            help="Folder of the run's keys from coach keys; needed when --watch leaves this machine.",
        ),
        option: list[str] = typer.Option([], "--option", help="NAME=VALUE for a feed that another package adds."),
        output: list[str] = typer.Option(
            [], "--output", help="Output that another package adds: NAME or NAME:KEY=VALUE,KEY=VALUE."
        ),
    ) -> None:
        """Drive with spoken cues and the overlay. Without options: a practice car."""
        from coach.app.live.drive import drive as run
        from coach.app.live.drive import own_profile
        from coach.app.live.drive_options import DriveOptions, OutputOptions
        from coach.app.sources import FeedOptions, options_of
        from coach.cli.drive_choice import chosen_feed, refuse_idle, tone_kinds
        from coach.cli.progress import phrase_progress
        from coach.cli.show import show_ran, warn
        from coach.cli.usage import laps_to_survey, typed
        from coach.core.cue.tones import ToneOptions

        given = typed(context)
        feed = feed or chosen_feed(given)
        asked = FeedOptions(
            feed=feed, host=host, port=port, packet_map=packet_map, capture=capture, receiver=receiver,
            latency_s=latency, session=session, speed=speed, seed=seed, rate_hz=rate, laps=laps,
            options=options_of(option),
        )  # fmt: skip
        heard = OutputOptions(
            voice=voice and not quiet, overlay=overlay and not quiet, lines=not quiet,
            words_per_minute=words_per_minute, voice_id=voice_id, device=device, volume=volume, buffer=buffer,
            mark=mark, watch=watch, keys=keys, more=tuple(output), tones=bool(tones),
            language=language, units=units_named(units).name,
        )  # fmt: skip
        by = profile or own_profile(asked)
        refuse_idle(
            given, feed, receiver=receiver, quiet=quiet, voice=voice, no_record=no_record, profile=bool(by)
        )  # fmt: skip
        after = 0 if by or no_record else laps_to_survey(survey_after)
        if "rules" in given and not by and not after:
            raise typer.BadParameter("--rules does nothing without a profile; give --profile or --survey-after")
        options = DriveOptions(
            asked, by, rules, driver, laps, heard, record, not no_record, survey_after=after, circuit=circuit,
            buttons=buttons, tones=ToneOptions(tone_kinds(tones), tone_corner),
        )  # fmt: skip
        with phrase_progress() as progress:
            ran = run(options, warn, progress)
        if not quiet:
            show_ran(ran)
        if ran.session is not None and ran.coached and ran.tally.laps:
            from coach.app.review.remembering import keep_session

            keep_session(ran.session, warn)


def _watch(app: typer.Typer) -> None:
    """Add both commands."""

    @app.command(rich_help_panel=DRIVING)
    def watch(
        address: str = typer.Argument(..., help="tcp://HOST:PORT as coach drive --watch prints it."),
        keys: Path | None = typer.Option(None, "--keys", help="Helper's folder of keys, for another machine."),
        overlay: bool = typer.Option(False, "--overlay", help="Show the overlay window instead of the terminal."),
    ) -> None:
        """Watch a run from another machine. Watching changes nothing."""
        from coach.cli.show import say
        from coach.outputs.watch import run_watch

        say(run_watch(address, keys, "overlay" if overlay else "terminal") or "stopped watching")

    @app.command(rich_help_panel=DRIVING)
    def keys(folder: Path = typer.Argument(..., help="Folder to make: one for the run, one for the helper.")) -> None:
        """Make keys for a helper on another machine. Only that helper can watch then."""
        from coach.cli.show import say
        from coach.outputs.bus.keys import make_keys

        run, helper = make_keys(folder)
        say(f"for the run (coach drive --keys): {run}")
        say(f"give this folder to the helper (coach watch --keys): {helper}")
