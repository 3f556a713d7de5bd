"""What an output is, and the group that keeps one bad output from touching the engine or the others."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol

from coach.core.values import Decision, LapDone, View

Notice = Callable[[str], None]


class Output(Protocol):
    """Takes what the engine gives, on the engine's thread: every call returns at once and none raises.

    ``view`` comes many times a second, and only the newest matters; ``decision`` comes for every candidate,
    spoken or held back.
    """

    def view(self, view: View) -> None:
        """The state for a glance, now."""

    def decision(self, decision: Decision) -> None:
        """What became of one candidate cue; one with ``outcome == "spoken"`` is to be heard."""

    def lap(self, lap: LapDone) -> None:
        """A lap ended."""

    def close(self) -> None:
        """End cleanly; a second call does nothing."""


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
    """Several outputs as one: each is shielded, a fault of one is said once and counted, the rest go on.

    ``faults`` counts what was caught, by output class name.
    """

    def __init__(self, outputs: Iterable[Output], notice: Notice) -> None:
        self.outputs = tuple(outputs)
        self.faults: dict[str, int] = {}
        self._notice = notice

    def view(self, view: View) -> None:
        """Hand on to each."""
        for output in self.outputs:
            try:
                output.view(view)
            except Exception as error:  # an output must never stop the engine
                self._caught(output, error)

    def decision(self, decision: Decision) -> None:
        """Hand on to each."""
        for output in self.outputs:
            try:
                output.decision(decision)
            except Exception as error:  # an output must never stop the engine
                self._caught(output, error)

    def lap(self, lap: LapDone) -> None:
        """Hand on to each."""
        for output in self.outputs:
            try:
                output.lap(lap)
            except Exception as error:  # an output must never stop the engine
                self._caught(output, error)

    def close(self) -> None:
        """Close each, whatever the others do."""
        for output in self.outputs:
            try:
                output.close()
            except Exception as error:  # the others must be closed too
                self._caught(output, error)

    def _caught(self, output: Output, error: Exception) -> None:
        name = type(output).__name__
        count = self.faults[name] = self.faults.get(name, 0) + 1
        if count == 1:
            self._notice(f"{name} failed and the run goes on: {type(error).__name__}: {error}")
