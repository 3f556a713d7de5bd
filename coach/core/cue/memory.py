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
    first_amount: float = 0.0
    """How large the fault was when it was first told since it was last cured."""
    acknowledged: bool = False
    """Whether "half way" was said since then."""
    share: float = 0.5
    """Share of the passes that had the fault before it was told, from counts with one of each added."""


class Outcomes(msgspec.Struct):
    """How often a cue was said, and how often the driver responded."""

    count: int = 0
    worked: int = 0


class DriverProgress(msgspec.Struct):
    """What is kept from session to session for one driver on one circuit."""

    progress: dict[str, Progress] = {}
    heard: dict[str, int] = {}
    responses: dict[str, Outcomes] = {}
    """By rule, corner and wording, by slot, and of all."""
