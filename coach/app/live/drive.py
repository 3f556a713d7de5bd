"""Assembles ``coach drive``: feed, profile, voice, overlay, watchers, recorder, and the driver's progress."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import replace
from math import nan
from pathlib import Path
from typing import Any

import msgspec

from coach.app.circuits.circuit_watch import CircuitWatch
from coach.app.circuits.known_circuits import hint
from coach.app.engine import Engine, RunStats
from coach.app.live.buttons import Buttons
from coach.app.live.drive_options import DriveOptions, OutputOptions, RunResult, voice_options
from coach.app.live.feed_watch import FeedWatch
from coach.app.live.live_edit import LiveEdits
from coach.app.live.recording import interrupts, kept_folder, learned, origin_of, record_into
from coach.app.live.requests import Requests, sound
from coach.app.paths import known_file
from coach.app.review.debrief import unlike
from coach.app.review.remembering import wordings_for
from coach.app.setup import MEMORY_FILE, Setup, known_after, later_by, read_known
from coach.app.sources import REAL_CAR, Feed, FeedOptions, features, source_of
from coach.core.cue.rules import RuleSet, reworded
from coach.core.cue.tones import ToneOptions
from coach.core.values import Decision
from coach.errors import CoachError
from coach.files import write_atomically
from coach.inputs.bindings import Bindings
from coach.inputs.bindings import load as load_bindings
from coach.outputs.base import Group, Notice, Output
from coach.outputs.live import Live, OutputChoice, open_added
from coach.outputs.overlay.settings import load
from coach.profile.language_file import in_words, language_paths, load_language
from coach.profile.rule_files import load_rules, phrases
from coach.profile.rule_files import rule_paths as shipped_rules
from coach.profile.shipped import shipped
from coach.profile.store import Plan, board_warnings, load_plan
from coach.session.header import PROFILE_FILE, RULES_FILE, WORDS_FILE
from coach.session.writer import SessionWriter
from feeds.errors import FeedEnded

Progress = Callable[[int, int], None]


class DriveError(CoachError):
    """The requested drive is impossible."""


def drive(
    options: DriveOptions,
    notice: Notice,
    progress: Progress | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> RunResult:
    """Run until the feed ends, the laps are complete, the overlay closes or Ctrl-C. Raise CoachError or FeedError on
    failure.

    Without a profile the laps are timed and recorded; with ``survey_after`` they become a profile, and the run
    continues with it as a second session. ``clock`` [s] measures silence.
    """
    if not options.profile and not options.recording:
        raise DriveError("nothing to do with neither profile nor recording: give --profile, or leave out --no-record")
    language = load_language(options.heard.language)
    rules = load_rules(options.rules, language, options.heard.units)
    stop = threading.Event()
    with ExitStack() as stack:
        plan = load_plan(options.profile) if options.profile else None
        origin = (nan, nan) if plan is None else (plan.reference.origin_lat_deg, plan.reference.origin_lon_deg)
        feed = stack.enter_context(source_of(options.asked, origin if origin[0] == origin[0] else None).open())
        if feed.real_car:
            for line in REAL_CAR:
                notice(line)
        watch = FeedWatch(feed, notice, clock())
        if plan is None:
            # imported here: the survey brings a second of imports, which a run with a profile does without
            from coach.app.live.first_run import drive_first_laps

            run = drive_first_laps(options, feed, watch, notice, stop, stack, clock, progress)
            if run.profile is None or stop.is_set():
                return run.ran
            plan = load_plan(run.profile)
            options = replace(options, record=None, laps=None if options.laps is None else options.laps - run.laps)
            notice(f"first laps: {run.ran.session}")
            notice(f"coaching begins: {plan.circuit}, {len(plan.corners)} corners")
            first = () if run.saved is None else (run.saved.text,)
            live = open_voice(options.heard, _setup(options, plan, rules, notice), notice, progress, first)
            if run.saved is not None:
                live.output.decision(run.saved)
            more: tuple[Output, ...] = (run.output,)
        else:
            live = open_outputs(options.heard, _setup(options, plan, rules, notice), notice, progress, stop.set)
            more = ()
            if live.watch_address:
                notice(f"helpers can watch at {live.watch_address}")
        stack.callback(live.close)
        keep = known_file(options.driver, plan.circuit)
        setup = _setup(options, plan, rules, notice)
        for doubt in board_warnings(plan.corners, plan.reference.length_m, plan.reference.closed):
            notice(doubt)
        known = setup.known
        circuit = CircuitWatch(plan.reference, notice, lambda x, y: hint(x, y, origin_of(feed), plan.path))
        setup = replace(setup, durations=live.durations_s, rules=later_by(rules, feed.latency_s))
        writer = _writer(options, setup, plan, feed, notice) if options.recording else None
        pipeline = setup.pipeline()
        told = None if options.asked.feed == "practice" else lambda: _tell_features(feed, notice)
        edits = LiveEdits(
            plan.path,
            _rules_file(options.rules),
            lambda texts, pronounce: _lengths(options.heard, texts, pronounce),
            notice,
            None if writer is None else writer.folder,
            lambda edited: reworded(later_by(edited, feed.latency_s), known.wordings),
            language=options.heard.language,
            units=options.heard.units,
            reference=plan.reference_name,
        )
        stack.callback(edits.close)
        tones = msgspec.structs.replace(options.tones, late_s=feed.latency_s)
        _known_corner(tones, plan)
        sound(tones, pipeline, writer)
        buttons = Buttons(load_bindings() if options.buttons else Bindings(), notice, feed.real_car)
        stack.callback(buttons.close)
        requests = Requests(
            buttons, pipeline, writer, notice, rules=options.rules, volume=options.heard.volume,
            set_volume=live.set_volume, choose_rules=lambda name: edits.choose_rules(_rules_file(name)),
        )  # fmt: skip
        engine = Engine(
            feed, pipeline, Group((live.output, *more), notice) if more else live.output, writer, FeedEnded,
            _listener(feed), told, lambda frames: edits.hand_over(pipeline, frames, pipeline.now_s, writer),
            lambda frames, now_s: _first(watch.look(frames, now_s), circuit.look(frames)), clock,
            requests.take,
        )  # fmt: skip
        with interrupts(stop):
            tally = engine.run(stop.is_set, options.laps)
        for line in _other_car(tally, plan.reference.lap_time_s):
            notice(line)
        # the locator counts positions lost, a feed packets
        lost = {"position_lost" if why == "lost" else why: n for why, n in pipeline.counts.items()}
        ran = RunResult(tally, None, {**dict(feed.counters), **pipeline.clock_gate.counts, **lost})
        if writer is not None:
            writer.update_header(**learned(feed))
            status = writer.close(ran.counters)
            ran.session = kept_folder(writer, tally.frames, options.record is not None)
            ran.lost_frames = status.lost_frames
        _keep(keep, msgspec.json.encode(known_after(pipeline)), notice)
        return ran


def _known_corner(tones: ToneOptions, plan: Plan) -> None:
    names = [corner.name for corner in plan.corners]
    if tones.corner and tones.corner not in names:
        raise DriveError(f"--tone-corner: expected one of {', '.join(names)}; found {tones.corner!r}")


def _first(*lines: str) -> str:
    return next((line for line in lines if line), "")


def _other_car(tally: RunStats, reference_s: float) -> tuple[str, ...]:
    best = min((lap.time_s for lap in tally.laps if lap.valid), default=reference_s)
    return unlike(best, reference_s)


def _setup(options: DriveOptions, plan: Plan, rules: RuleSet, notice: Notice) -> Setup:
    known = read_known(known_file(options.driver, plan.circuit))
    known.wordings = wordings_for(plan.circuit, options.driver, rules, notice)
    return Setup(plan.circuit, plan.reference, plan.corners, rules, plan.pronounce, {}, known, str(plan.path))


def own_profile(asked: FeedOptions) -> str:
    """Return the profile implied by a feed: the practice circuit's, a replayed session's; else ""."""
    if asked.feed == "practice":
        return "hollow_ridge"
    kept = asked.session / PROFILE_FILE if asked.feed == "replay" and asked.session is not None else None
    return str(kept) if kept is not None and kept.exists() else ""


def open_outputs(
    heard: OutputOptions, setup: Setup, notice: Notice, progress: Progress | None, on_closed: Callable[[], None]
) -> Live:
    """Open the requested voice, overlay and other outputs; raise OutputError for an impossible choice."""
    voice = voice_options(heard, setup.pronounce)
    choice = OutputChoice(
        voice if heard.voice else None,
        load() if heard.overlay else None,
        heard.lines,
        heard.watch,
        heard.keys,
        heard.processes,
    )
    texts = phrases(setup.rules, setup.corners, setup.reference.lap_time_s)
    return Live(choice, texts, notice, on_closed, progress, more=open_added(heard.more))


def open_voice(
    heard: OutputOptions, setup: Setup, notice: Notice, progress: Progress | None, first: tuple[str, ...] = ()
) -> Live:
    """Open the voice alone, beside outputs already open; ``first`` are words for the beginning."""
    voice = voice_options(heard, setup.pronounce) if heard.voice else None
    choice = OutputChoice(voice, None, False, "", None, heard.processes)
    texts = phrases(setup.rules, setup.corners, setup.reference.lap_time_s)
    return Live(choice, (*texts, *first), notice, None, progress)


def _lengths(heard: OutputOptions, texts: list[str], pronounce: Mapping[str, str]) -> dict[str, float]:
    """Return the lengths of edited phrases [s]; with a voice, render them into its cache."""
    bank = voice_options(heard, pronounce).bank()
    return bank.prepare(texts) if heard.voice else {text: bank.duration_s(text) for text in texts}


def _rules_file(rules: str) -> Path:
    return shipped_rules().get(rules, Path(rules))


def _tell_features(feed: Feed, notice: Notice) -> bool:
    """Report each feature this feed cannot support, once its channels are known."""
    if not feed.channels.settled:
        return False
    for feature in features(feed.channels):
        if feature.state != "on":
            notice(f"{feature.name}: {feature.state} ({feature.why})")
    return True


def _listener(feed: Any) -> Callable[[Decision], None] | None:
    """Return the practice driver's listener; None for other feeds."""
    hear = getattr(feed, "hear", None)
    if hear is None:
        return None
    return lambda decision: hear(decision.corner, decision.fault) if decision.family == "correction" else None


def _writer(options: DriveOptions, setup: Setup, plan: Plan, feed: Feed, notice: Notice) -> SessionWriter:
    folder, header = record_into(options, feed, setup.circuit, setup.circuit)
    header = msgspec.structs.replace(header, voice_durations=dict(setup.durations))
    copies: dict[str, Path | bytes] = {
        PROFILE_FILE: plan.path,
        plan.reference_name: plan.path.parent / plan.reference_name,
        RULES_FILE: in_words(_rules_file(options.rules).read_bytes(), load_language(options.heard.language)),
        MEMORY_FILE: msgspec.json.encode(setup.known),
    }
    if options.heard.language != "en":
        copies[WORDS_FILE] = shipped(options.heard.language, language_paths(), "language")
    return SessionWriter(folder, header, copies, notice)


def _keep(path: Path, data: bytes, notice: Notice) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(path, data)
    except OSError as error:
        notice(f"{path}: the driver's progress could not be saved ({error.strerror})")
