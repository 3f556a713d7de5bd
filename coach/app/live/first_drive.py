"""The first laps on a circuit without a profile: timed and recorded until a profile is made or found."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from coach.app.circuits.circuit_match import thinned
from coach.app.circuits.known_circuits import fitting
from coach.app.live.first_words import FirstWords
from coach.app.live.lap_timer import LapTimer
from coach.app.rerun.rerun import Origin
from coach.app.surveying import survey_columns
from coach.core.columns import Columns
from coach.core.events import Events
from coach.core.values import View
from coach.errors import CoachError
from coach.outputs.base import Notice
from coach.outputs.console import lap_time

PROFILE_LAPS: Final = 3
"""Number of laps for a profile: fewer leave the track's edges unknown."""
LOOK_EVERY_S: Final = 10.0
"""Session time between searches for a profile that fits [s]."""


def laps_more(count: int) -> str:
    """Return how many laps a profile still needs."""
    return f"{count} {'lap' if count == 1 else 'laps'} more for a profile"


class FirstLaps:
    """Replaces the pipeline while there is no reference: times laps and keeps the frames."""

    def __init__(self, wanted: int, say: Notice, words: FirstWords | None = None) -> None:
        self.wanted = wanted
        self.words = words
        self.timer = LapTimer()
        self.valid = 0
        self._say = say
        self.known = ""
        """The circuit, once a profile of this machine was found to fit: no other one is needed."""
        self._enough = False
        self._pending = ""
        self._chunks: list[Columns] = []
        self._last = (0.0, float("nan"))

    def push_columns(self, chunk: Columns) -> Events:
        """Process frames and return the finished laps."""
        self._chunks.append(Columns(chunk.data.copy()))
        self._last = (float(chunk["t_s"][-1]), float(chunk["speed_mps"][-1]))
        laps = self.timer.push(chunk.frames())
        self.valid += sum(lap.valid for lap in laps)
        if laps and self.valid < self.wanted:
            self._pending = laps_more(self.wanted - self.valid)
        elif laps and not self._enough:
            self._enough = True
            self._pending = "enough laps for a profile"
        if self.words is None:
            return Events(laps=laps)
        if laps:
            missing = 0 if self.known else max(self.wanted - self.valid, 0)
            self.words.over(laps[-1], missing, self._last[0])
        return Events(laps=laps, decisions=self.words.push(chunk, self.timer.lap))

    def tell(self) -> None:
        """Report the last laps, after the outputs have shown their times."""
        if self._pending and not self.known:
            self._say(self._pending)
        self._pending = ""

    def finish(self) -> Events:
        """Return no events: an unfinished lap has no time."""
        self.tell()
        return Events()

    @property
    def now_s(self) -> float:
        """Session time of the last frame [s]."""
        return self._last[0]

    def columns(self) -> Columns:
        """Return all frames so far."""
        return Columns.join(self._chunks)

    def view(self) -> View:
        """Return the lap, its running time, and the number of laps a profile still needs."""
        running = self.timer.running_s()
        clock = lap_time(running)[:-2] if running == running else "first pass of the line starts the clock"
        more = laps_more(self.wanted - self.valid) if self.valid < self.wanted else "enough laps for a profile"
        if self.known:
            more = f"{self.known} has a profile"
        return View(self._last[0], "live", self.timer.lap, speed_mps=self._last[1], status=f"{clock}; {more}")


@dataclass(frozen=True)
class Drove:
    """Feed properties the maker needs: inferred channels and the plane's origin."""

    inferred: frozenset[str]
    origin: Origin


class ProfileMaker:
    """Makes a profile once there are enough laps, or finds one that fits; ``ready`` is its path.

    ``call`` runs the work, on a separate thread for a feed that cannot wait; ``prepare`` is further work before
    coaching begins. Call ``step`` with each batch.
    """

    def __init__(
        self,
        laps: FirstLaps,
        folder: Callable[[], Path],
        circuit: str,
        drove: Callable[[], Drove],
        say: Notice,
        making: bool,
        call: Callable[[Callable[[], None]], None],
        prepare: Callable[[Path], object] = lambda profile: None,
    ) -> None:
        self.ready: Path | None = None
        self._laps, self._folder, self._circuit, self._drove = laps, folder, circuit, drove
        self._say, self._making, self._call = say, making, call
        self._prepare = prepare
        self._working = False
        self._look_s = LOOK_EVERY_S
        self._began_s = float("nan")
        self._found = False

    def step(self) -> None:
        """Start the work that is due."""
        self._laps.tell()
        if self._working or self.ready is not None:
            return
        now = self._laps.now_s
        if self._began_s != self._began_s:
            self._began_s = now
        if not self._found and now - self._began_s >= self._look_s:
            self._look_s *= 2.0
            columns, drove = self._laps.columns(), self._drove()
            self._begin(lambda: self._find(columns, drove))
        elif self._making and self._laps.valid >= self._laps.wanted:
            self._say("making the profile: keep driving")
            columns, drove = self._laps.columns(), self._drove()
            self._begin(lambda: self._make(columns, drove))

    def _begin(self, work: Callable[[], None]) -> None:
        self._working = True
        self._call(lambda: self._guarded(work))

    def _guarded(self, work: Callable[[], None]) -> None:
        """Run the work; an error must not end the recording, nor print more than a line."""
        try:
            work()
        except Exception as error:
            self._say(f"no profile: {type(error).__name__}: {error}; the run is recorded on")
            self._making = False

    def _find(self, columns: Columns, drove: Drove) -> None:
        if np.isfinite(columns["x_m"]).any():
            known = fitting(*thinned(columns["x_m"], columns["y_m"]), drove.origin)
            if known is not None:
                self._found = True
                self._laps.known = known.reference.circuit
                self._say(f"this is {known.reference.circuit}: {known.path.parent} fits")
                if self._making:
                    self._go_on(known.path)
                else:
                    self._say(f"next time: --profile {known.argument}")
        self._working = False

    def _make(self, columns: Columns, drove: Drove) -> None:
        try:
            done = survey_columns(columns, self._folder(), self._circuit, drove.inferred, drove.origin)
        except CoachError as error:
            self._laps.wanted = self._laps.valid + 1
            self._say(f"no profile yet: {error}; {laps_more(1)}")
        else:
            best = lap_time(done.survey.reference.lap_time_s)
            self._say(f"profile made: {done.profile} ({len(done.corners)} corners, reference {best})")
            self._go_on(done.profile)
        self._working = False

    def _go_on(self, profile: Path) -> None:
        """Prepare everything slow for coaching with ``profile``, then announce it."""
        try:
            self._prepare(profile)
        except CoachError as error:
            self._say(f"the coaching cannot begin: {error}")
        else:
            self.ready = profile


def at_once(work: Callable[[], None]) -> None:
    """Run ``work`` at once, for a feed that waits."""
    work()


def on_a_thread(work: Callable[[], None]) -> None:
    """Run ``work`` on a thread, for a live feed that records meanwhile."""
    threading.Thread(target=work, name="profile-maker", daemon=True).start()


def free_folder(parent: Path, name: str) -> Path:
    """Return ``name`` in ``parent``, numbered if it exists already."""
    folder, number = parent / name, 1
    while folder.exists():
        number += 1
        folder = parent / f"{name}-{number}"
    return folder
