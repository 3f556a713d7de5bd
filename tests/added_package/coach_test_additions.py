"""A feed and an output of another package: a car that goes round the shipped circuit's reference, and a notebook."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from coach import Decision, Feed, Frame, LapDone, View, load_plan
from feeds.errors import FeedEnded


class MetronomeFeed(Feed):
    """Drives the reference lap again and again, each lap the same; ``laps`` is text, as options are."""

    name = "metronome"
    live = False

    def __init__(self, laps: str = "1") -> None:
        super().__init__()
        reference = load_plan("hollow_ridge").reference
        self._places = iter(
            (lap * reference.lap_time_s + float(t), float(x), float(y), float(v))
            for lap in range(int(laps) + 1)
            for t, x, y, v in zip(reference.t_s, reference.x_m, reference.y_m, reference.speed_mps, strict=True)
        )

    def _receive(self, timeout_s: float) -> Iterable[Frame] | None:
        place = next(self._places, None)
        if place is None:
            raise FeedEnded(self.name)
        t, x, y, v = place
        return (Frame(t, x_m=x, y_m=y, speed_mps=v),)


class Notebook:
    """Writes one line for each lap to ``file``."""

    def __init__(self, file: str) -> None:
        self._file = Path(file)

    def view(self, view: View) -> None:
        """Nothing to write."""

    def decision(self, decision: Decision) -> None:
        """Nothing to write."""

    def lap(self, lap: LapDone) -> None:
        """One line."""
        with self._file.open("a") as out:
            out.write(f"lap {lap.lap} {lap.time_s:.2f}\n")

    def close(self) -> None:
        """Nothing is open."""


nothing = 3
