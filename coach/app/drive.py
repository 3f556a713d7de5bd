"""``coach drive`` put together: feed, profile, voice, overlay, helpers, record, and what the driver knows."""

from __future__ import annotations

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
from coach.app.first_drive import record_only
from coach.app.interrupt import interrupts
from coach.app.live_edit import LiveEdits
from coach.app.places import known_file, new_session_folder, sessions_folder
from coach.app.remembering import wordings_for
from coach.app.setup import MEMORY_FILE, Setup, known_after, later_by, read_known
from coach.app.sources import REAL_CAR, Feed, FeedOptions, features, source_of
from coach.core.rules import reworded
from coach.core.values import Decision
from coach.errors import CoachError
from coach.files import write_atomically
from coach.outputs.added import open_added
from coach.outputs.base import Notice
from coach.outputs.live import Choice, Live
from coach.outputs.overlay.settings import load
from coach.outputs.voice.options import VoiceOptions
from coach.profile.rule_files import load_rules, phrases
from coach.profile.rule_files import rule_paths as shipped_rules
from coach.profile.store import load_plan, read_profile
from coach.session.header import PROFILE_FILE, RULES_FILE, Header
from coach.session.writer import SessionWriter
from feeds.errors import FeedEnded

Progress = Callable[[int, int], None]


class DriveError(CoachError):
    """What is asked for can not be driven."""


@dataclass(frozen=True)
class Heard:
    """What is put out, and how."""

    voice: bool = True
    overlay: bool = True
    lines: bool = True
    words_per_minute: int = 160
    voice_id: str = ""
    device: str = ""
    volume: float = 1.0
    buffer: int = 512
    mark: bool = False
    watch: str = ""
    keys: Path | None = None
    processes: bool = True
    more: tuple[str, ...] = ()
    """Outputs of other packages, ``NAME`` or ``NAME:KEY=VALUE,...``."""


@dataclass(frozen=True)
class DriveOptions:
    """What the command line asks for."""

    asked: FeedOptions
    profile: str
    rules: str
    driver: str = "driver"
    laps: int | None = None
    heard: Heard = field(default_factory=Heard)
    record: Path | None = None
    recording: bool = True


@dataclass
class Ran:
    """What came of a drive."""

    tally: Tally
    session: Path | None
    counters: dict[str, int] = field(default_factory=dict)
    lost_frames: int = 0


def drive(options: DriveOptions, notice: Notice, progress: Progress | None = None) -> Ran:
    """Run until the feed ends, the laps are driven, the overlay is closed or Ctrl-C. Raises CoachError, FeedError.

    Without a profile the run is only recorded.
    """
    if not options.profile:
        if not options.recording:
            raise DriveError(
                "nothing to do without a profile and without a record: give --profile, or leave out --no-record"
            )
        tally, recorder, source = record_only(options.asked, options.record, options.driver, notice)
        recorder.update_header(**_learned(source))
        status = recorder.close(dict(source.counters))
        return Ran(tally, recorder.folder, dict(source.counters), status.lost_frames)
    plan = load_plan(options.profile)
    rules = load_rules(options.rules)
    keep = known_file(options.driver, plan.circuit)
    known = read_known(keep)
    known.wordings = wordings_for(plan.circuit, options.driver, rules, notice)
    setup = Setup(plan.circuit, plan.reference, plan.corners, rules, plan.pronounce, {}, known, str(plan.path))
    stop = threading.Event()
    with ExitStack() as stack:
        origin = (plan.reference.origin_lat_deg, plan.reference.origin_lon_deg)
        feed = stack.enter_context(source_of(options.asked, origin if origin[0] == origin[0] else None).open())
        if feed.real_car:
            for line in REAL_CAR:
                notice(line)
        live = open_outputs(options.heard, setup, notice, progress, stop.set)
        stack.callback(live.close)
        if live.watch_address:
            notice(f"helpers can watch at {live.watch_address}")
        setup = replace(setup, durations=live.durations_s, rules=later_by(rules, feed.latency_s))
        writer = _writer(options, setup, plan.path, feed, notice) if options.recording else None
        pipeline = setup.pipeline()
        told = None if options.asked.feed == "practice" else lambda: _tell_features(feed, notice)
        edits = LiveEdits(
            plan.path,
            _rules_file(options.rules),
            lambda texts, pronounce: _lengths(options.heard, texts, pronounce),
            notice,
            None if writer is None else writer.folder,
            lambda edited: reworded(later_by(edited, feed.latency_s), known.wordings),
        )
        stack.callback(edits.close)
        engine = Engine(
            feed, pipeline, live.output, writer, FeedEnded, _listener(feed), told,
            lambda frames: edits.hand_over(pipeline, frames, pipeline.now_s, writer),
        )  # fmt: skip
        with interrupts(stop):
            tally = engine.run(stop.is_set, options.laps)
        ran = Ran(tally, None, {**dict(feed.counters), **pipeline.intake.counts, **pipeline.counts})
        if writer is not None:
            writer.update_header(**_learned(feed))
            status = writer.close(ran.counters)
            ran.session, ran.lost_frames = writer.folder, status.lost_frames
        _keep(keep, msgspec.json.encode(known_after(pipeline)), notice)
        return ran


def own_profile(asked: FeedOptions) -> str:
    """The profile that belongs to a feed by itself: the practice circuit's, a replayed session's; "" when none does."""
    if asked.feed == "practice":
        return "hollow_ridge"
    kept = asked.session / PROFILE_FILE if asked.feed == "replay" and asked.session is not None else None
    return str(kept) if kept is not None and kept.exists() else ""


def open_outputs(
    heard: Heard, setup: Setup, notice: Notice, progress: Progress | None, on_closed: Callable[[], None]
) -> Live:
    """The voice, the overlay and the rest as they are asked for; raises OutputError for a choice that can not be."""
    voice = _voice(heard, setup.pronounce)
    choice = Choice(
        voice if heard.voice else None,
        load() if heard.overlay else None,
        heard.lines,
        heard.watch,
        heard.keys,
        heard.processes,
    )
    texts = phrases(setup.rules, setup.corners)
    return Live(choice, texts, notice, on_closed, progress, more=open_added(heard.more))


def _voice(heard: Heard, pronounce: Mapping[str, str]) -> VoiceOptions:
    return VoiceOptions(
        voice=heard.voice_id,
        rate_wpm=heard.words_per_minute,
        volume=heard.volume,
        device=heard.device,
        buffer=heard.buffer,
        mark=heard.mark,
        pronunciations=dict(pronounce),
    )


def _lengths(heard: Heard, texts: list[str], pronounce: Mapping[str, str]) -> dict[str, float]:
    """The lengths of edited phrases [s]; with a voice they are rendered into its cache on the way."""
    bank = _voice(heard, pronounce).bank()
    return bank.prepare(texts) if heard.voice else {text: bank.duration_s(text) for text in texts}


def _rules_file(rules: str) -> Path:
    return shipped_rules().get(rules, Path(rules))


def _tell_features(feed: Feed, notice: Notice) -> bool:
    """What can not be coached with this feed, each once, as soon as it is known which channels it gives."""
    if not feed.channels.settled:
        return False
    for feature in features(feed.channels):
        if feature.state != "on":
            notice(f"{feature.name}: {feature.state} ({feature.why})")
    return True


def _listener(feed: Any) -> Callable[[Decision], None] | None:
    """The practice driver hears what is said; others do not."""
    hear = getattr(feed, "hear", None)
    if hear is None:
        return None
    return lambda decision: hear(decision.corner, decision.fault) if decision.family == "correction" else None


def _learned(feed: Feed) -> dict[str, Any]:
    """What is known of a feed once frames came in, for the header."""
    channels, plane = feed.channels, feed.plane
    out: dict[str, Any] = {
        "given": tuple(sorted(channels.given)),
        "inferred": tuple(sorted(channels.inferred)),
        "latency_s": feed.latency_s,
    }
    if plane is not None:
        out |= {"origin_lat_deg": plane.lat_deg, "origin_lon_deg": plane.lon_deg}
    return out


def _writer(options: DriveOptions, setup: Setup, profile: Path, feed: Feed, notice: Notice) -> SessionWriter:
    now = datetime.now().astimezone()
    folder = options.record or new_session_folder(sessions_folder(), setup.circuit, now)
    header = Header(
        session=folder.name,
        started_at=now.isoformat(timespec="seconds"),
        feed=options.asked.feed,
        circuit=setup.circuit,
        driver=options.driver,
        real_car=feed.real_car,
        latency_s=feed.latency_s,
        voice_durations=dict(setup.durations),
        coach_version=__version__,
    )
    reference = read_profile(profile).model.reference
    copies: dict[str, Path | bytes] = {
        PROFILE_FILE: profile,
        reference: profile.parent / reference,
        RULES_FILE: _rules_file(options.rules),
        MEMORY_FILE: msgspec.json.encode(setup.known),
    }
    return SessionWriter(folder, header, copies, notice)


def _keep(path: Path, data: bytes, notice: Notice) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(path, data)
    except OSError as error:
        notice(f"{path}: what the driver knows could not be kept ({error.strerror})")
