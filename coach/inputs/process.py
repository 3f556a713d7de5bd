"""The button process: ``python -m coach.inputs.process``, started by the supervisor.

It reports each bound press as ``pressed`` with the function, or every press as ``press`` to learn a button.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import Final, Protocol

import msgspec

from coach.inputs.bindings import Bindings, Press
from coach.outputs.child import NOT_HERE, Link, run_child


class InputSource(Protocol):
    """A kind of input; ``poll`` never waits and never raises for a removed device."""

    def poll(self) -> list[Press]:
        """Return the presses since the last call, in order."""

    def devices(self) -> list[str]:
        """Return the names of the connected devices."""

    def close(self) -> None:
        """Close the devices."""


def open_sources() -> tuple[list[InputSource], list[str]]:
    """Open this machine's sources; return them and a line for each missing one."""
    from coach.inputs.keys import open_keys
    from coach.inputs.pads import Pads

    sources: list[InputSource] = []
    notes: list[str] = []
    try:
        sources.append(Pads())
    except Exception as error:  # optional: keys may still work if the input library fails
        notes.append(f"no wheel, pad or button box can be read: {error}")
    keys = open_keys(sys.platform, os.environ)
    if keys is None:
        notes.append("keys cannot be read without a focused window here; buttons of a wheel or pad can")
    else:
        sources.append(keys)
    return sources, notes


POLL_S: Final = 0.02
"""Poll interval: the longest delay of a press."""


class ButtonSetup(msgspec.Struct, frozen=True):
    """Start message of the process; ``bindings`` None: report every press, to learn one."""

    bindings: Bindings | None = None


def watch(
    sources: list[InputSource], bindings: Bindings | None, report: Callable[[str, str], None], wait: Callable[[], bool]
) -> None:
    """Poll until ``wait()`` is true; report ``devices`` on every change."""
    known: list[str] | None = None
    while True:
        presses = [press for source in sources for press in source.poll()]
        devices = sorted(name for source in sources for name in source.devices())
        if devices != known:
            known = devices
            report("devices", msgspec.json.encode(devices).decode())
        for press in presses:
            if bindings is None:
                report("press", msgspec.json.encode(press).decode())
            elif (function := bindings.function(press)) is not None:
                report("pressed", function)
        if wait():
            return


def press_of(text: str) -> Press:
    """Return the press in a report."""
    return msgspec.json.decode(text, type=Press)


def _run(link: Link) -> int:
    setup = link.setup(ButtonSetup)
    sources, notes = open_sources()
    for note in notes:
        link.note(note)
    if not sources:
        return NOT_HERE

    def wait() -> bool:
        link.alive()
        return link.ended.wait(POLL_S)

    link.report("ready")
    try:
        watch(sources, setup.bindings, link.report, wait)
    finally:
        for source in sources:
            source.close()
    return 0


if __name__ == "__main__":
    run_child(_run)
