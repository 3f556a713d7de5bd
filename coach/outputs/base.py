"""The output interface, the group that isolates a faulty output from the others, and an output that only keeps."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol

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


Notice = Callable[[str], None]


class Output(Protocol):
    """Receives the engine's values on its thread: every call returns at once and none raises.

    ``view`` is called many times a second, and only the newest matters; ``decision`` is called for every candidate,
    spoken or held.
    """

    def view(self, view: View) -> None:
        """Show the current state."""

    def decision(self, decision: Decision) -> None:
        """Handle the decision on one candidate; speak it if ``outcome == "spoken"``."""

    def lap(self, lap: LapDone) -> None:
        """Handle a finished lap."""

    def close(self) -> None:
        """Close cleanly; a second call does nothing."""


class Quiet:
    """An output that does nothing: the base of outputs that need only some of the calls."""

    def view(self, view: View) -> None:
        """Ignore."""

    def decision(self, decision: Decision) -> None:
        """Ignore."""

    def lap(self, lap: LapDone) -> None:
        """Ignore."""

    def close(self) -> None:
        """Ignore."""


class Group:
    """Several outputs as one: a fault of one is reported once and counted, and the rest continue.

    ``faults`` counts caught exceptions by output class name.
    """

    def __init__(self, outputs: Iterable[Output], notice: Notice) -> None:
        self.outputs = tuple(outputs)
        self.faults: dict[str, int] = {}
        self._notice = notice

    def view(self, view: View) -> None:
        """Pass on to each."""
        for output in self.outputs:
            try:
                output.view(view)
            except Exception as error:  # an output must never stop the engine
                self._caught(output, error)

    def decision(self, decision: Decision) -> None:
        """Pass on to each."""
        for output in self.outputs:
            try:
                output.decision(decision)
            except Exception as error:  # an output must never stop the engine
                self._caught(output, error)

    def lap(self, lap: LapDone) -> None:
        """Pass on to each."""
        for output in self.outputs:
            try:
                output.lap(lap)
            except Exception as error:  # an output must never stop the engine
                self._caught(output, error)

    def close(self) -> None:
        """Close each, even if others fail."""
        for output in self.outputs:
            try:
                output.close()
            except Exception as error:  # the others must be closed too
                self._caught(output, error)

    def _caught(self, output: Output, error: Exception) -> None:
        name = type(output).__name__
        count = self.faults[name] = self.faults.get(name, 0) + 1
        if count == 1:
            self._notice(f"{name} failed, the run continues: {type(error).__name__}: {error}")
