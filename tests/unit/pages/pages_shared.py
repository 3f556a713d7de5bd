"""Shared fixture of the page tests: a shipped session, run once."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from coach.app.review.session_review import SessionReview
from coach.profile.store import Plan, load_plan

ROOT = Path(__file__).parents[3]
SESSION = ROOT / "replay_samples" / "evening_run"


@cache
def looked() -> SessionReview:
    """The session, looked at."""
    return SessionReview(SESSION)


@cache
def plan() -> Plan:
    """The profile that ships."""
    return load_plan("hollow_ridge")
