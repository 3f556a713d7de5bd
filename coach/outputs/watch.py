"""The live state on a helper's machine: on the terminal, or in the same overlay window. It only listens."""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from coach.core.values import Decision, LapDone, View
from coach.outputs.bus.subscriber import Subscriber
from coach.outputs.bus.table import Bye, Message
from coach.outputs.console import GAINED, LOST, cue_line, lap_line, lap_time
from coach.outputs.overlay.output import Newest, run_window
from coach.outputs.overlay.process import listen
from coach.outputs.overlay.settings import Settings, load
from coach.outputs.overlay.texts import WORDS, countdown_text, delta_text, mode_of, system_of

STALE_S = 2.0
WAIT_S = 0.25
LINES = 6


class Sheet:
    """The helper's display: the newest state, the last laps and cues. Pure except for its clock."""

    def __init__(self, address: str, clock: Callable[[], float] = time.monotonic) -> None:
        self.ended = ""
        self._address = address
        self._clock = clock
        self._view: View | None = None
        self._heard_s = -math.inf
        self._laps: deque[LapDone] = deque(maxlen=LINES)
        self._cues: deque[Decision] = deque(maxlen=LINES)

    def take(self, message: Message) -> None:
        """Process one message."""
        self._heard_s = self._clock()
        if isinstance(message, View):
            self._view = message
        elif isinstance(message, LapDone):
            self._laps.append(message)
        elif isinstance(message, Decision):
            if message.outcome == "spoken":
                self._cues.append(message)
        elif isinstance(message, Bye):
            self.ended = message.why

    def lines(self) -> RenderableType:
        """Return the sheet as text."""
        rows: list[Text] = [self._state()]
        if self._view is not None and self._view.status:
            rows.append(Text(self._view.status))
        if self._laps:
            rows += [Text(""), *(lap_line(lap) for lap in self._laps)]
        if self._cues:
            rows += [Text(""), *(cue_line(cue) for cue in self._cues)]
        return Group(*rows)

    def _state(self) -> Text:
        view = self._view
        if self._clock() - self._heard_s > STALE_S:
            return Text(f"no answer from {self._address}", style="bold")
        if view is None:
            return Text(f"connected to {self._address}, no data yet", style="bold")
        mode, system = mode_of(view), system_of(view)
        if mode not in ("live", "untimed"):
            return Text(WORDS[mode], style="bold")
        line = Text(f"lap {view.lap}  ")
        if mode == "live":
            line.append(f"{delta_text(view.delta_s)} s", style=f"bold {LOST if view.delta_s > 0 else GAINED}")
            line.append(f"  heading for {lap_time(view.predicted_s)}" if math.isfinite(view.predicted_s) else "")
        elif not view.status:
            line.append(WORDS[mode], style="bold")
        if math.isfinite(view.speed_mps):
            line.append(f"  {system.speed_text(view.speed_mps)}")
        if view.next_corner:
            line.append(f"  {view.next_corner} {countdown_text(view.to_brake_m, system)}".rstrip())
        return line


def run_watch(
    address: str,
    keys: Path | None = None,
    show: Literal["terminal", "overlay"] = "terminal",
    console: Console | None = None,
    settings: Settings | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> str:
    """Show the run at ``address`` until it ends, ``stop()``, or Ctrl-C; return why it ended ("" if stopped).

    ``address`` is ``tcp://HOST:PORT``; beyond this machine ``keys`` is the helper's folder from ``make_keys``. Raise
    OutputError for a bad address or keys, or without a display for ``show="overlay"``.
    """
    bus = Subscriber(address, keys)
    try:
        return _overlay(bus, settings or load(), stop) if show == "overlay" else _terminal(bus, address, console, stop)
    except KeyboardInterrupt:
        return ""
    finally:
        bus.close()


def _terminal(bus: Subscriber, address: str, console: Console | None, stop: Callable[[], bool]) -> str:
    sheet = Sheet(address)
    with Live(
        sheet.lines(), console=console or Console(highlight=False, markup=False, emoji=False), auto_refresh=False
    ) as live:
        while not stop() and not sheet.ended:
            for message in bus.read(WAIT_S):
                sheet.take(message)
            live.update(sheet.lines(), refresh=True)
    return sheet.ended


def _overlay(bus: Subscriber, settings: Settings, stop: Callable[[], bool]) -> str:
    newest, ended = Newest(), threading.Event()
    closed = run_window(newest, settings, lambda: stop() or ended.is_set(), wait=lambda: listen(bus, newest, ended))
    return "the run ended" if ended.is_set() and not closed else ""
