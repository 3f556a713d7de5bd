"""A driver's progress on a circuit: the state of each rule at each corner, and the texts heard."""

from __future__ import annotations

from typing import Literal

import msgspec

Stage = Literal["each", "alternate", "outside", "retired"]


class Progress(msgspec.Struct):
    """State of one rule at one corner for this driver."""

    stage: Stage = "each"
    good: int = 0
    bad: int = 0
    silent_good: int = 0
    said: int = 0
    told: int = 0
    """Times spoken since the last cure."""
    said_lap: int = -1000
    due_confirm: bool = False
    first_amount: float = 0.0
    """Amount of the fault at its first cue since the last cure."""
    acknowledged: bool = False
    """Whether "half way" was spoken since then."""
    share: float = 0.5
    """Share of passes with the fault before its first cue, with one of each kind added."""


class Outcomes(msgspec.Struct):
    """How often a cue was spoken, and how often the driver responded."""

    count: int = 0
    worked: int = 0


class DriverProgress(msgspec.Struct):
    """State kept from session to session for one driver on one circuit."""

    progress: dict[str, Progress] = {}
    heard: dict[str, int] = {}
    responses: dict[str, Outcomes] = {}
    """By rule, corner and wording, by slot, and in total."""
