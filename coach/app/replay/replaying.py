"""Assembles ``coach replay``: a session through the core, fast or in real time, with or without outputs."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from coach.app.circuits.known_circuits import refuse_other_circuit
from coach.app.engine import Engine
from coach.app.live.drive import open_outputs
from coach.app.live.drive_options import OutputOptions
from coach.app.rerun.plan_changes import changes_of
from coach.app.rerun.rerun import on_plane_of, rerun
from coach.app.setup import Setup, session_language, session_setup
from coach.app.sources import FeedSource, speed_of
from coach.app.voice_choice import voice_for
from coach.core.values import Decision, LapDone
from coach.outputs.base import Capture, Group, Notice
from coach.session.log import read_log, write_log
from coach.session.reader import SessionReader
from feeds.errors import FeedEnded


@dataclass(frozen=True)
class Replayed:
    """Result of a replay. ``took_s`` is the time from file to decisions [s]."""

    setup: Setup
    decisions: tuple[Decision, ...]
    laps: tuple[LapDone, ...]
    frames: int
    session_s: float
    took_s: float
    log: Path | None
    notes: tuple[str, ...] = ()


def replay_session(
    session: Path,
    speed: str,
    profile: str | Path | None,
    rules: str | Path | None,
    log: Path | None,
    with_voice: bool,
    with_overlay: bool,
    notice: Notice = print,
    language: str | None = None,
    units: str | None = None,
) -> Replayed:
    """Replay ``session``; raise CoachError on failure."""
    reader = SessionReader(session)
    setup = session_setup(reader, profile, rules, language, units)
    pace = speed_of(speed)
    began = time.perf_counter()
    if pace == float("inf") and not (with_voice or with_overlay):
        first = last = float("nan")
        batches = []
        for batch in on_plane_of(setup.reference, reader.header, reader.batches(1 << 16)):
            batches.append(batch)
            t = batch["t_s"]
            first, last = (float(t[0]) if first != first else first), float(t[-1])
        # edits made while driving belong to the original run, not to another profile or other rules
        as_driven = profile is None and rules is None and units is None
        result = rerun(batches, setup, changes=changes_of(reader, edits=as_driven))
        if not result.events.laps:
            refuse_other_circuit(setup.reference, setup.source, batches)
        decisions, laps, frames = result.events.decisions, result.events.laps, result.frames
        length = last - first
    else:
        decisions, laps, frames, length = _in_time(session, pace, setup, with_voice, with_overlay, notice, language)
        if not laps:
            batches = list(on_plane_of(setup.reference, reader.header, reader.batches(1 << 16)))
            refuse_other_circuit(setup.reference, setup.source, batches)
    took = time.perf_counter() - began
    if log is not None:
        write_log(log, decisions)
    notes = (*setup.notes, *([reader.tail()] if reader.tail() else []))
    return Replayed(setup, tuple(decisions), tuple(laps), frames, length, took, log, notes)


def _in_time(
    session: Path,
    pace: float,
    setup: Setup,
    with_voice: bool,
    with_overlay: bool,
    notice: Notice,
    language: str | None,
) -> tuple[list[Decision], list[LapDone], int, float]:
    source = FeedSource("replay", {"path": session, "speed": pace})
    capture = Capture(keep_views=False)
    voice_id = "" if language or not with_voice else voice_for(session_language(SessionReader(session)))
    heard = OutputOptions(with_voice, with_overlay, lines=False, voice_id=voice_id, language=language or "en")
    live = open_outputs(heard, setup, notice, None, lambda: None)
    group = Group((capture, live.output), notice)
    try:
        with source.open() as feed:
            engine = Engine(feed, setup.pipeline(), group, None, FeedEnded)
            tally = engine.run(lambda: False)
    finally:
        live.close()
    return capture.decisions, tally.laps, tally.frames, engine.length_s


def older_decisions(session: Path, profile: str | Path | None, against: str) -> tuple[Decision, ...]:
    """Return the decisions to compare with: from an older log (.jsonl), or of the session under other rules."""
    path = Path(against)
    if path.suffix == ".jsonl":
        return tuple(read_log(path))
    return replay_session(session, "max", profile, against, None, False, False).decisions
