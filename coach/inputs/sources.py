"""Input sources: each is polled and needs no focused window."""

from __future__ import annotations

import os
import sys
from typing import Protocol

from coach.inputs.bindings import Press


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
