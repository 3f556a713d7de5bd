"""``coach drive`` put together: feed, profile, voice, overlay, record."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from coach import __version__
from coach.app.engine import Engine, Tally
from coach.app.interrupt import interrupts
from coach.app.places import known_file, new_session_folder, sessions_folder
from coach.app.setup import MEMORY_FILE, Setup, known_after, read_known
from coach.app.sources import REAL_CAR, Asked, Feed, features, source_of
from coach.core.values import Decision
from coach.outputs.base import Group, Notice, Output
from coach.outputs.console import ConsoleOutput
from coach.profile.rule_files import load_rules, phrases
from coach.profile.rule_files import rule_paths as shipped_rules
from coach.profile.store import load_plan, read_profile
from coach.session.header import PROFILE_FILE, RULES_FILE, Header
from coach.session.writer import SessionWriter
from feeds.errors import FeedEnded


@dataclass(frozen=True)
class DriveOptions:
    """What the command line asks for."""

    asked: Asked
    profile: str
    rules: str
    driver: str = "driver"
    laps: int | None = None
    voice: bool = True
    overlay: bool = True
    quiet: bool = False
    record: Path | None = None
    recording: bool = True
    rate_wpm: int = 160
    voice_name: str = ""
    volume: float = 1.0


@dataclass
class Ran:
    """What came of a drive."""

    tally: Tally
    session: Path | None
    counters: dict[str, int] = field(default_factory=dict)
    lost_frames: int = 0


def drive(options: DriveOptions, notice: Notice, progress: Callable[[int, int], None] | None = None) -> Ran:
    """Run until the feed ends, the laps are driven, the overlay is closed or Ctrl-C. Raises CoachError, FeedError."""
    plan = load_plan(options.profile)
    rules = load_rules(options.rules)
    keep = known_file(options.driver, plan.circuit)
    known = read_known(keep)
    stop = threading.Event()
    with ExitStack() as stack:
        origin = (plan.reference.origin_lat_deg, plan.reference.origin_lon_deg)
        feed = stack.enter_context(source_of(options.asked, origin if origin[0] == origin[0] else None).open())
        _say_first(feed, options, notice)
        setup = Setup(plan.circuit, plan.reference, plan.corners, rules, plan.pronounce, {}, known, str(plan.path))
        outputs, durations = drive_outputs(options, setup, notice, progress, stop.set)
        setup = replace(setup, durations=durations)
        group = Group([*outputs, *([] if options.quiet else [ConsoleOutput()])], notice)
        stack.callback(group.close)
        writer = _writer(options, setup, plan.path, durations, notice) if options.recording else None
        pipeline = setup.pipeline()
        engine = Engine(feed, pipeline, group, writer, FeedEnded, _listener(feed))
        with interrupts(stop):
            tally = engine.run(stop.is_set, options.laps)
        counters = {**dict(feed.counters), **pipeline.intake.counts, **pipeline.counts}
        session, lost = None, 0
        if writer is not None:
            channels = feed.channels
            writer.update_header(given=tuple(sorted(channels.given)), inferred=tuple(sorted(channels.inferred)))
            status = writer.close(counters)
            session, lost = writer.folder, status.lost_frames
        _keep(keep, msgspec.json.encode(known_after(pipeline)), notice)
        return Ran(tally, session, counters, lost)


def _say_first(feed: Feed, options: DriveOptions, notice: Notice) -> None:
    """Cautions for a real car, then what can not be coached with this feed, each once."""
    if feed.real_car:
        for line in REAL_CAR:
            notice(line)
    if options.quiet or options.asked.feed == "practice" or not feed.channels.settled:
        return
    for feature in features(feed.channels):
        if feature.state != "on":
            notice(f"{feature.name}: {feature.state} ({feature.why})")


def drive_outputs(
    options: DriveOptions,
    setup: Setup,
    notice: Notice,
    progress: Callable[[int, int], None] | None,
    on_closed: Callable[[], None],
) -> tuple[list[Output], dict[str, float]]:
    """The voice and the overlay that are asked for, and the lengths of all phrases [s]."""
    outputs: list[Output] = []
    durations: dict[str, float] = {}
    if options.voice and not options.quiet:
        texts = list(phrases(setup.rules, setup.corners, setup.pronounce))
        output, durations = _voice(options, texts, setup.pronounce, notice, progress)
        outputs.append(output)
    if options.overlay and not options.quiet:
        outputs.append(_overlay(notice, on_closed))
    return outputs, durations


def _voice(
    options: DriveOptions,
    texts: list[str],
    pronounce: Mapping[str, str],
    notice: Notice,
    progress: Callable[[int, int], None] | None,
) -> tuple[Output, dict[str, float]]:
    from coach.outputs.voice.bank import PhraseBank
    from coach.outputs.voice.device import MixerDevice
    from coach.outputs.voice.output import VoiceOutput
    from coach.outputs.voice.player import Player

    bank = PhraseBank(voice=options.voice_name, rate_wpm=options.rate_wpm, pronunciations=pronounce)
    durations = bank.prepare(texts, progress)
    return VoiceOutput(bank, Player(MixerDevice(), notice), notice), durations


def _overlay(notice: Notice, on_closed: Callable[[], None]) -> Output:
    from coach.outputs.overlay.output import OverlayOutput
    from coach.outputs.overlay.settings import load

    return OverlayOutput(load(), notice, on_closed)


def _listener(feed: Any) -> Callable[[Decision], None] | None:
    """The practice driver hears what is said; others do not."""
    hear = getattr(feed, "hear", None)
    if hear is None:
        return None
    return lambda decision: hear(decision.corner, decision.fault) if decision.family == "correction" else None


def _writer(
    options: DriveOptions, setup: Setup, profile: Path, durations: dict[str, float], notice: Notice
) -> SessionWriter:
    now = datetime.now().astimezone()
    folder = options.record or new_session_folder(sessions_folder(), setup.circuit, now)
    rules = shipped_rules().get(options.rules, Path(options.rules))
    header = Header(
        session=folder.name,
        started_at=now.isoformat(timespec="seconds"),
        feed=options.asked.feed,
        circuit=setup.circuit,
        driver=options.driver,
        real_car=options.asked.feed == "nmea",
        voice_durations=durations,
        coach_version=__version__,
    )
    reference = read_profile(profile).model.reference
    copies: dict[str, Path | bytes] = {
        PROFILE_FILE: profile,
        reference: profile.parent / reference,
        RULES_FILE: rules,
        MEMORY_FILE: msgspec.json.encode(setup.known),
    }
    return SessionWriter(folder, header, copies, notice)


def _keep(path: Path, data: bytes, notice: Notice) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh = path.with_suffix(".new")
        fresh.write_bytes(data)
        os.replace(fresh, path)
    except OSError as error:
        notice(f"{path}: what the driver knows could not be kept ({error.strerror})")
