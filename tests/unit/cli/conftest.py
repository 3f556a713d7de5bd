"""A recorded session and its surveyed profile, made once from the practice simulator."""

from __future__ import annotations

from pathlib import Path

import pytest

from coach.app.surveying import survey_session
from coach.core.columns import Columns
from coach.session.header import Header
from coach.session.writer import SessionWriter
from feeds.frame import CHANNELS
from feeds.practice import FaultPlan, Habit, hollow_ridge, simulate


@pytest.fixture(scope="session")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five laps, the last three with a habit: Quarry is braked for 20 m early."""
    folder = tmp_path_factory.mktemp("cli") / "session"
    plan = FaultPlan((Habit("Quarry", "brake_early", 20.0, laps=(3, 4, 5)),))
    run = simulate(hollow_ridge(), 5, seed=5, faults=plan)
    chunk = Columns.empty(len(run.channels["t_s"]))
    for name in CHANNELS:
        if name in run.channels:
            chunk[name][:] = run.channels[name]
    header = Header(session="session", started_at="2026-01-01T00:00:00+00:00", feed="practice", circuit="Hollow Ridge")
    writer = SessionWriter(folder, header)
    writer.frames(chunk)
    writer.close()
    return folder


@pytest.fixture(scope="session")
def profile(recorded: Path) -> Path:
    """The folder of the profile surveyed from the session."""
    return survey_session(recorded, recorded.parent / "profile", None, "").profile.parent
