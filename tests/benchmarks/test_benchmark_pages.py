"""How long the pages take: a change of a brake point until the cues of 20 laps are new, a debrief of two hours.

``pytest tests/benchmarks/test_benchmark_pages.py -m benchmark_run --benchmark-enable``
"""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from coach.app.edit.edit_server import EditorDesk
from coach.app.review.session_review import SessionReview
from coach.core.columns import Columns
from coach.pages.debrief import debrief_html
from coach.session.header import Header
from coach.session.writer import SessionWriter
from feeds.frame import CHANNELS
from feeds.practice import FaultPlan, Habit, hollow_ridge, simulate

pytestmark = pytest.mark.benchmark_run
PROFILE = Path(__file__).parents[2] / "profiles" / "hollow_ridge"
EDIT_S = 1.0
DEBRIEF_S = 5.0


def recorded(folder: Path, laps: int) -> Path:
    """A session of the practice driver at 60 frames a second, with its profile and the rules of the first laps."""
    run = simulate(hollow_ridge(), laps, seed=5, faults=FaultPlan((Habit("Quarry", "brake_early", 20.0),)))
    chunk = Columns.empty(len(run.channels["t_s"]))
    for name in CHANNELS:
        if name in run.channels:
            chunk[name][:] = run.channels[name]
    rules = PROFILE.parent / "rules" / "first_laps.yaml"
    copies: dict[str, Path | bytes] = {p.name: p for p in PROFILE.iterdir() if p.is_file()}
    header = Header(session="bench", started_at="2026-01-01T00:00:00+00:00", feed="practice", circuit="Hollow Ridge")
    writer = SessionWriter(folder, header, {**copies, "rules.yaml": rules})
    # in pieces, each given time to be written: a live run never hands over two hours at once
    for start in range(0, len(chunk), 50_000):
        before = writer.status().frames
        writer.frames(chunk.part(start, start + 50_000))
        deadline = time.monotonic() + 30.0
        while writer.status().frames == before and time.monotonic() < deadline:
            time.sleep(0.01)
    status = writer.close()
    assert (len(chunk), 0) == (status.frames, status.lost_frames)
    return folder


def test_edit_to_new_timeline(tmp_path: Path, benchmark: BenchmarkFixture) -> None:
    """A brake point is moved: checked, 20 laps run again, the list of cues with its marks, in under a second."""
    shutil.copytree(PROFILE, tmp_path / "profile")
    desk = EditorDesk(tmp_path / "profile", recorded(tmp_path / "session", 20), None)
    places = iter(range(100, 160))

    def edit() -> None:
        desk.put(0, ("brake_m",), float(next(places)))
        desk.rerun()
        desk.cue_rows()

    benchmark.pedantic(edit, rounds=8)  # type: ignore[no-untyped-call]
    assert benchmark.stats.stats.median < EDIT_S  # type: ignore[union-attr]


def test_debrief_of_two_hours(tmp_path: Path, benchmark: BenchmarkFixture) -> None:
    """From the session's folder to the page as text, 79 laps at 60 frames a second."""
    session = recorded(tmp_path / "session", 79)
    told: list[tuple[int, int]] = []

    def page() -> str:
        return debrief_html(SessionReview(session, progress=lambda done, of: told.append((done, of))).view())

    text = benchmark.pedantic(page, rounds=3)  # type: ignore[no-untyped-call]
    assert len(text) < 3_000_000
    assert told[-1][0] == told[-1][1]
    assert benchmark.stats.stats.median < DEBRIEF_S  # type: ignore[union-attr]
