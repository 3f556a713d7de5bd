"""Passes button requests to the core, the session record or the voice."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, Protocol, get_args

from coach.app.live.live_edit import EventLog
from coach.app.rerun.plan_changes import ASKED_EVENT, TONES_EVENT
from coach.core.cue.asking import Request
from coach.core.cue.tones import ToneOptions
from coach.core.events import Events
from coach.core.pipeline import Pipeline
from coach.inputs.bindings import Function
from coach.outputs.base import Notice

STEP: Final = 10 ** (3 / 20)
"""A volume step: 3 dB, which is clearly audible (common practice, no source)."""
SOFTEST: Final = 0.1
CUE_SETS: Final = ("first_laps", "improving", "race", "ask")
"""Cycled in this order."""


class Pressed(Protocol):
    """Presses since the last call."""

    def pressed(self) -> list[Function]:
        """Return the presses in order without waiting."""


class Requests:
    """Handles presses; ``set_volume`` takes 0..1, ``choose_rules`` the name of a cue set."""

    def __init__(
        self,
        buttons: Pressed,
        pipeline: Pipeline,
        events: EventLog | None,
        notice: Notice,
        *,
        rules: str,
        volume: float,
        set_volume: Callable[[float], None],
        choose_rules: Callable[[str], None],
    ) -> None:
        self._buttons = buttons
        self._pipeline = pipeline
        self._events = events
        self._notice = notice
        self._rules = rules
        self._volume = volume
        self._set_volume = set_volume
        self._choose_rules = choose_rules

    def take(self, frames: int) -> Events:
        """Handle requests made after the first ``frames`` frames; return their immediate results."""
        events = Events()
        for function in self._buttons.pressed():
            if function in get_args(Request):
                request: Request = function  # type: ignore[assignment]  # it is one of them
                events.add(self._pipeline.ask(request))
                if self._events is not None:
                    self._events.event(ASKED_EVENT, self._pipeline.now_s, request=request, after_frames=frames)
            elif function == "next_cues":
                self._next_cues()
            else:
                self._turn(STEP if function == "louder" else 1.0 / STEP)
        return events

    def _next_cues(self) -> None:
        at = CUE_SETS.index(self._rules) + 1 if self._rules in CUE_SETS else 0
        self._rules = CUE_SETS[at % len(CUE_SETS)]
        self._choose_rules(self._rules)

    def _turn(self, by: float) -> None:
        self._volume = min(1.0, max(SOFTEST, self._volume * by))
        self._set_volume(self._volume)
        self._notice(f"volume {self._volume:.0%}")


def sound(tones: ToneOptions, pipeline: Pipeline, events: EventLog | None) -> None:
    """Use these tones from the first frame on, and record that with the session."""
    if not tones.kinds:
        return
    pipeline.sound(tones)
    if events is not None:
        kinds = " ".join(tones.kinds)
        events.event(TONES_EVENT, 0.0, kinds=kinds, corner=tones.corner, late_s=tones.late_s, after_frames=0)
