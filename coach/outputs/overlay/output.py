"""The overlay as an output: a thread owns the window and draws the newest state at most 30 times a second."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from coach.core.values import Decision, View
from coach.errors import OutputError
from coach.outputs.base import Notice, Quiet
from coach.outputs.overlay.layout import Caption
from coach.outputs.overlay.settings import Settings, save
from coach.outputs.overlay.window import OverlayWindow

FRAME_S = 1 / 30
LEAST_S = 0.75 * FRAME_S
"""Views come 30 times a second, some a little early: such a one is not waited for twice."""
STALE_S = 1.0
KEEP_S = 2.0


class Newest:
    """The newest view and cue, written by one thread and read by another; never locks."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._view: tuple[View, float] | None = None
        self._cue: tuple[str, float] | None = None

    def put_view(self, view: View) -> None:
        """A newer state."""
        self._view = (view, self._clock())

    def put_cue(self, text: str) -> None:
        """A newer cue."""
        self._cue = (text, self._clock())

    def read(self) -> tuple[View | None, Caption | None, bool]:
        """The newest view, the caption with its age, and whether the view is at most a second old."""
        now, view, cue = self._clock(), self._view, self._cue
        caption = None if cue is None else Caption(cue[0], now - cue[1])
        if view is None:
            return None, caption, True
        return view[0], caption, now - view[1] <= STALE_S


def run_window(
    newest: Newest,
    settings: Settings,
    stop: Callable[[], bool],
    keep: Callable[[Settings], None] = save,
    on_painted: Callable[[View | None, Caption | None], None] | None = None,
    wait: Callable[[], None] = lambda: time.sleep(FRAME_S),
) -> bool:
    """Show ``newest`` until ``stop()`` or the window is closed by the user; True in the second case.

    ``wait()`` is called between two pictures; it returns when there may be something new, or what the user did must
    be looked at. OutputError when there is no display.
    """
    window = OverlayWindow(settings)
    closed = False
    kept, keep_at = settings, 0.0
    try:
        while not stop():
            began = time.monotonic()
            if not window.pump():
                closed = True
                break
            view, caption, fresh = newest.read()
            if window.show(view, caption, fresh) and on_painted is not None:
                on_painted(view, caption)
            if window.settings != kept and began > keep_at:
                # not at each of the many steps of a move, and not only at the end: the end may be a kill
                keep(window.settings)
                kept, keep_at = window.settings, began + KEEP_S
            wait()
            early_s = began + LEAST_S - time.monotonic()
            if early_s > 0.0:
                time.sleep(early_s)
    finally:
        if window.settings != kept:
            keep(window.settings)
        window.close()
    return closed


class OverlayOutput(Quiet):
    """The overlay in the engine's own process. Calls only put the newest value where the thread finds it."""

    def __init__(
        self,
        settings: Settings,
        notice: Notice,
        on_closed: Callable[[], None] | None = None,
        keep: Callable[[Settings], None] = save,
    ) -> None:
        self._newest = Newest()
        self._stop = threading.Event()
        self._notice = notice
        self._on_closed = on_closed
        self._keep = keep
        self._thread = threading.Thread(target=self._run, args=(settings,), name="overlay", daemon=True)
        self._thread.start()

    def view(self, view: View) -> None:
        """Show a newer state."""
        self._newest.put_view(view)

    def decision(self, decision: Decision) -> None:
        """Show a spoken cue as caption."""
        if decision.outcome == "spoken":
            self._newest.put_cue(decision.text)

    def close(self) -> None:
        """Take the window away."""
        self._stop.set()
        self._thread.join(timeout=3.0)

    def _run(self, settings: Settings) -> None:
        try:
            if run_window(self._newest, settings, self._stop.is_set, self._keep) and self._on_closed:
                self._on_closed()
        except OutputError as error:
            self._notice(f"{error}; the run goes on without the overlay")
