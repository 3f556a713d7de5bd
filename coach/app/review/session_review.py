"""Reviews a recorded session."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from coach.app.circuits.known_circuits import refuse_other_circuit
from coach.app.rerun.rerun import on_plane_of, rerun
from coach.app.review.debrief import Debrief, debrief
from coach.app.review.debrief_page import debrief_view
from coach.app.setup import session_setup
from coach.pages.debrief import DebriefView
from coach.session.reader import SessionReader


class SessionReview:
    """One review of a session, with all data for terminal, page and history.

    ``progress(done, of)`` counts frames. Raises CoachError.
    """

    def __init__(
        self,
        session: Path,
        profile: str | Path | None = None,
        progress: Callable[[int, int], object] | None = None,
        units: str | None = None,
    ) -> None:
        self.reader = SessionReader(session)
        self.setup = session_setup(self.reader, profile, None, units=units)
        batches = list(on_plane_of(self.setup.reference, self.reader.header, self.reader.batches(1 << 14)))
        done, of = 0, sum(map(len, batches))

        def step(frames: int) -> None:
            nonlocal done
            done += frames
            if progress is not None:
                progress(done, of)

        self.marks = tuple(self.reader.marks())
        self.result = rerun(batches, self.setup, step)
        if not self.result.events.laps:
            refuse_other_circuit(self.setup.reference, self.setup.source, batches)
        self.debrief: Debrief = debrief(self.result, self.setup, self.marks)
        self.live = self.reader.decisions()

    def view(self) -> DebriefView:
        """Return the page's content."""
        header = self.reader.header
        said = " · ".join(x for x in (header.session, header.started_at[:16].replace("T", " "), header.driver) if x)
        return debrief_view(
            self.debrief, self.result, self.setup, self.live or self.result.events.decisions, said, self.marks
        )
