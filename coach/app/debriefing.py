"""A debrief from a session folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from coach.app.debrief import Debrief, debrief
from coach.app.replane import on_plane_of
from coach.app.rerun import rerun
from coach.app.setup import session_setup
from coach.session.reader import SessionReader


def debrief_session(
    session: Path, profile: str | Path | None = None, progress: Callable[[int], object] | None = None
) -> Debrief:
    """Rerun the session against its own profile (or ``profile``) and sum it up; raises CoachError."""
    reader = SessionReader(session)
    setup = session_setup(reader, profile, None)
    return debrief(rerun(on_plane_of(setup.reference, reader.header, reader.batches()), setup, progress), setup)
