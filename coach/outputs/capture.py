"""An output that keeps everything it receives: for tests, and to inspect a run afterwards."""

from __future__ import annotations

from coach.core.values import Decision, LapDone, View


class Capture:
    """Collects views, decisions and laps in order.

    With ``keep_views`` false only the newest view is kept, so that a long run does not grow.
    """

    def __init__(self, keep_views: bool = True) -> None:
        self.views: list[View] = []
        self.decisions: list[Decision] = []
        self.laps: list[LapDone] = []
        self.closed = False
        self._keep_views = keep_views

    @property
    def spoken(self) -> list[Decision]:
        """The spoken decisions."""
        return [d for d in self.decisions if d.outcome == "spoken"]

    @property
    def held(self) -> list[Decision]:
        """The held decisions."""
        return [d for d in self.decisions if d.outcome == "held"]

    def view(self, view: View) -> None:
        """Keep the view."""
        if not self._keep_views:
            self.views.clear()
        self.views.append(view)

    def decision(self, decision: Decision) -> None:
        """Keep the decision."""
        self.decisions.append(decision)

    def lap(self, lap: LapDone) -> None:
        """Keep the lap."""
        self.laps.append(lap)

    def close(self) -> None:
        """Record the end of the run."""
        self.closed = True
