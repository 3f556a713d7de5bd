"""The offer of ``coach drive`` on a circuit without a profile."""

from __future__ import annotations

import sys


def laps_to_survey(asked: int | None) -> int:
    """Return the number of laps before a profile is made: as requested, else from a prompt at a terminal; 0
    for never.
    """
    from coach.app.live.first_drive import PROFILE_LAPS

    if asked is not None:
        return asked
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return 0
    import typer

    question = f"No profile for this circuit. Make one after {PROFILE_LAPS} laps and coach from then on?"
    return PROFILE_LAPS if typer.confirm(question, default=True) else 0
