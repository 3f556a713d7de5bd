"""Assembles a drive without a profile: feed, overlay with the clock, recorder and profile maker."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from coach.app.engine import Engine
from coach.app.live.drive_options import DriveOptions, RunResult, voice_options
from coach.app.live.feed_watch import FeedWatch
from coach.app.live.first_drive import PROFILE_LAPS, Drove, FirstLaps, ProfileMaker, at_once, free_folder, on_a_thread
from coach.app.live.first_words import FirstWords
from coach.app.live.recording import interrupts, kept_folder, learned, origin_of, record_into
from coach.app.paths import slug
from coach.app.sources import Feed
from coach.core.values import Decision
from coach.outputs.base import Group, Notice, Output
from coach.outputs.live import Live, OutputChoice, open_added
from coach.outputs.overlay.settings import load
from coach.outputs.voice.renderer import Progress
from coach.profile.language_file import load_language
from coach.profile.rule_files import load_rules, phrases
from coach.profile.store import added_folder, load_plan
from coach.session.writer import SessionWriter
from feeds.errors import FeedEnded


@dataclass
class FirstRun:
    """Result of the first laps: statistics, the profile to continue with, and the outputs that stay open.

    ``saved`` is what the voice of the coaching says first.
    """

    ran: RunResult
    profile: Path | None
    laps: int
    output: Output
    saved: Decision | None = None


def drive_first_laps(
    options: DriveOptions,
    feed: Feed,
    watch: FeedWatch,
    notice: Notice,
    stop: threading.Event,
    stack: ExitStack,
    clock: Callable[[], float],
    progress: Progress | None = None,
) -> FirstRun:
    """Drive without a profile until one is ready or the run ends."""
    making = options.survey_after > 0
    now = datetime.now().astimezone()
    name = options.circuit or f"Circuit of {now:%Y-%m-%d}"
    if making:
        notice(f"no profile: laps are timed; after {options.survey_after} a profile is made and coaching begins")
    else:
        notice(
            f"no profile: laps are timed and recorded; with --survey-after {PROFILE_LAPS} a profile is made from them"
        )
    heard = options.heard
    live = Live(
        OutputChoice(None, load() if heard.overlay else None, heard.lines, heard.watch, heard.keys, heard.processes),
        (), notice, stop.set, more=open_added(heard.more),
    )  # fmt: skip
    stack.callback(live.close)
    if live.watch_address:
        notice(f"helpers can watch at {live.watch_address}")
    folder, header = record_into(options, feed, options.circuit, options.circuit or "first-laps")
    writer = SessionWriter(folder, header, {}, notice)
    wanted = options.survey_after or PROFILE_LAPS
    voice = words = None
    if heard.voice:
        words = FirstWords(load_language(heard.language).language, wanted)
        choice = OutputChoice(voice_options(heard, {}), None, False, "", None, heard.processes)
        voice = Live(choice, words.texts, notice, None, progress)
        stack.callback(voice.close)
    laps = FirstLaps(wanted, notice, words)
    maker = ProfileMaker(
        laps,
        lambda: free_folder(added_folder(), slug(name)),
        name,
        lambda: Drove(frozenset(feed.channels.inferred), origin_of(feed)),
        notice,
        making,
        on_a_thread if feed.live else at_once,
        lambda profile: _render(options, profile),
    )
    heard_by = live.output if voice is None else Group((live.output, voice.output), notice)
    engine = Engine(
        feed, laps, heard_by, writer, FeedEnded, before_frames=lambda frames: maker.step(), watch=watch.look,
        clock=clock,
    )  # fmt: skip
    with interrupts(stop):
        tally = engine.run(lambda: stop.is_set() or maker.ready is not None, options.laps)
    writer.update_header(**learned(feed))
    counters = dict(feed.counters)
    status = writer.close(counters)
    ran = RunResult(
        tally,
        kept_folder(writer, tally.frames, options.record is not None),
        counters,
        status.lost_frames,
        coached=False,
    )
    if voice is not None:
        # some devices take one voice at a time
        voice.close()
    saved = words.saved(laps.now_s, laps.timer.lap, bool(laps.known)) if words is not None else None
    ended = options.laps is not None and len(tally.laps) >= options.laps
    return FirstRun(ran, None if ended else maker.ready, len(tally.laps), live.output, saved)


def _render(options: DriveOptions, profile: Path) -> None:
    """Render the phrases of a profile into the voice's cache, so that coaching begins without a pause."""
    if options.heard.voice:
        plan = load_plan(profile)
        rules = load_rules(options.rules, options.heard.language, options.heard.units)
        texts = phrases(rules, plan.corners, plan.reference.lap_time_s)
        voice_options(options.heard, plan.pronounce).bank().prepare(texts)
