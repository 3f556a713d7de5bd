"""The overlay as an output: a thread owns the window and draws the newest state at most 30 times a second."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable

from coach.core.values import Decision, LapDone, View
from coach.errors import OutputError
from coach.outputs.base import Notice, Quiet
from coach.outputs.overlay.layout import Caption, Scene
from coach.outputs.overlay.settings import Settings, SettingsWatch
from coach.outputs.overlay.window import OverlayWindow

FRAME_S = 1 / 30
LEAST_S = 0.75 * FRAME_S
"""Views arrive 30 times a second, some a little early: a picture does not wait for two of them."""
STALE_S = 1.0
LOOK_S = 1.0
"""Interval of writing changed settings, and of reading those of ``coach overlay`` [s]."""


class Newest:
    """The newest view, cue and lap, written by one thread and read by another; never locks."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._view: tuple[View, float] | None = None
        self._cue: tuple[str, float] | None = None
        self._lap: tuple[LapDone, float] | None = None

    def put_view(self, view: View) -> None:
        """Store a newer state."""
        self._view = (view, self._clock())

    def put_cue(self, text: str) -> None:
        """Store a newer cue."""
        self._cue = (text, self._clock())

    def put_lap(self, lap: LapDone) -> None:
        """Store a lap that just ended."""
        self._lap = (lap, self._clock())

    def read(self) -> Scene:
        """Return the current scene: a view is fresh for a second, cue and lap have ages."""
        now, view, cue, lap = self._clock(), self._view, self._cue, self._lap
        return Scene(
            view=None if view is None else view[0],
            caption=None if cue is None else Caption(cue[0], now - cue[1]),
            lap=None if lap is None else lap[0],
            lap_age_s=math.inf if lap is None else now - lap[1],
            fresh=view is None or now - view[1] <= STALE_S,
        )


def run_window(
    newest: Newest,
    settings: Settings,
    stop: Callable[[], bool],
    watch: SettingsWatch | None = None,
    on_painted: Callable[[Scene], None] | None = None,
    wait: Callable[[], None] = lambda: time.sleep(FRAME_S),
) -> bool:
    """Show ``newest`` until ``stop()`` or the user closes the window; return True in the second case.

    ``watch`` stores the settings and reports external changes. ``wait()`` runs between two pictures and returns when
    there may be something new, or window events are due. Raise OutputError without a display.
    """
    watch = watch or SettingsWatch()
    window = OverlayWindow(settings)
    closed = False
    kept, look_at = settings, 0.0
    try:
        while not stop():
            began = time.monotonic()
            if not window.pump():
                closed = True
                break
            if began >= look_at:
                look_at = began + LOOK_S
                news = watch.news()
                if news is not None:
                    window.take(news)
                    kept = news
                elif window.settings != kept:
                    # not at every step of a move, and not only at the end, which may be a kill
                    kept = window.settings
                    watch.save(kept)
            scene = newest.read()
            if window.show(scene) and on_painted is not None:
                on_painted(scene)
            wait()
            early_s = began + LEAST_S - time.monotonic()
            if early_s > 0.0:
                time.sleep(early_s)
    finally:
        if window.settings != kept:
            watch.save(window.settings)
        window.close()
    return closed


class OverlayOutput(Quiet):
    """The overlay in the engine's own process. Calls only store the newest value for the thread."""

    def __init__(
        self,
        settings: Settings,
        notice: Notice,
        on_closed: Callable[[], None] | None = None,
        watch: SettingsWatch | None = None,
    ) -> None:
        self._newest = Newest()
        self._stop = threading.Event()
        self._notice = notice
        self._on_closed = on_closed
        self._watch = watch
        self._thread = threading.Thread(target=self._run, args=(settings,), name="overlay", daemon=True)
        self._thread.start()

    def view(self, view: View) -> None:
        """Show a newer state."""
        self._newest.put_view(view)

    def decision(self, decision: Decision) -> None:
        """Show a spoken cue as caption."""
        if decision.outcome == "spoken":
            self._newest.put_cue(decision.text)

    def lap(self, lap: LapDone) -> None:
        """Show the lap's time and difference for a moment."""
        self._newest.put_lap(lap)

    def close(self) -> None:
        """Close the window."""
        self._stop.set()
        self._thread.join(timeout=3.0)

    def _run(self, settings: Settings) -> None:
        try:
            if run_window(self._newest, settings, self._stop.is_set, self._watch) and self._on_closed:
                self._on_closed()
        except OutputError as error:
            self._notice(f"{error}; the run continues without the overlay")
