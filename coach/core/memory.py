"""What is known of a driver on a circuit: how far each rule has come at each corner, and which texts he has heard."""

from __future__ import annotations

from typing import Literal

import msgspec

Stage = Literal["each", "alternate", "outside", "retired"]


class Progress(msgspec.Struct):
    """How far one rule has come at one corner for this driver."""

    stage: Stage = "each"
    good: int = 0
    bad: int = 0
    silent_good: int = 0
    said: int = 0
    told: int = 0
    """Times said since it was last cured."""
    said_lap: int = -1000
    due_confirm: bool = False


class Memory(msgspec.Struct):
    """What is kept from session to session for one driver on one circuit."""

    progress: dict[str, Progress] = {}
    heard: dict[str, int] = {}
