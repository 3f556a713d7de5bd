"""Buttons beside a run, and bound between runs: presses wait in a queue until the engine polls."""

from __future__ import annotations

import queue
from collections.abc import Callable
from pathlib import Path
from typing import Final

from coach.errors import OutputError
from coach.inputs.bindings import Bindings, Function, Press, function_of, load, save
from coach.inputs.process import ButtonSetup, press_of
from coach.outputs.base import Notice
from coach.outputs.child import Report
from coach.outputs.supervisor import Spec, Supervisor

MODULE: Final = "coach.inputs.process"


class Buttons:
    """The bound buttons of a run; ``pressed`` empties the queue and never waits. Unplugging a device has no effect."""

    def __init__(self, bindings: Bindings, notice: Notice, real_car: bool = False) -> None:
        kept = bindings.for_real_car() if real_car else bindings
        if len(kept.bindings) < len(bindings.bindings):
            notice(f"real car: one button only, {kept.bindings[0].press}; the other bindings are off")
        self._waiting: queue.SimpleQueue[Function] = queue.SimpleQueue()
        self._supervisor: Supervisor | None = None
        if kept.bindings:
            spec = Spec("buttons", MODULE, ButtonSetup(kept))
            self._supervisor = Supervisor([spec], notice, on_report=self._take)

    def _take(self, name: str, report: Report) -> None:
        if report.kind == "pressed":
            self._waiting.put(function_of(report.text))

    def pressed(self) -> list[Function]:
        """Return the functions requested since the last call, in order."""
        found = []
        while not self._waiting.empty():
            found.append(self._waiting.get_nowait())
        return found

    def close(self) -> None:
        """End the process; a second call does nothing."""
        if self._supervisor is not None:
            self._supervisor.close()


def wait_for_press(notice: Notice, seconds: float, on_devices: Callable[[str], None]) -> Press:
    """Return the next press of any button or key; raise OutputError if none comes within ``seconds``."""
    found: queue.SimpleQueue[Press] = queue.SimpleQueue()

    def take(name: str, report: Report) -> None:
        if report.kind == "press":
            found.put(press_of(report.text))
        elif report.kind == "devices":
            on_devices(report.text)

    supervisor = Supervisor([Spec("buttons", MODULE, ButtonSetup())], notice, on_report=take)
    try:
        return found.get(timeout=seconds)
    except queue.Empty:
        raise OutputError(f"no button and no key was pressed within {seconds:g} s") from None
    finally:
        supervisor.close()


def bind(function: str, press: Press, path: Path | None = None) -> Path:
    """Bind ``press`` to ``function`` and return the file. Raise DataError or OSError on failure."""
    return save(load(path).bound(function_of(function), press), path)


def clear(function: str, path: Path | None = None) -> Path:
    """Remove the buttons of ``function``, or of all with ``all``. Raise DataError or OSError on failure."""
    return save(load(path).cleared(None if function == "all" else function_of(function)), path)
