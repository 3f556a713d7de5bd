"""How the time of the core is shared among its stages: each stage's own time, without that of the stages it calls."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final
from unittest import mock

from coach.core.cue.cue_context import CueContext
from coach.core.diagnose import Diagnosis
from coach.core.locate.clock_gate import ClockGate
from coach.core.locate.frame_buffer import FrameBuffer
from coach.core.locate.locator import Locator
from coach.core.measure import passes
from coach.core.measure.passes import PassBuilder
from coach.core.pass_recorder import PassRecorder
from coach.core.session_tracker import SessionTracker

STAGES: Final[tuple[tuple[str, Any, tuple[str, ...]], ...]] = (
    ("intake: order and plausibility", ClockGate, ("take", "goes_on")),
    ("locator", Locator, ("locate", "follow")),
    ("history of frames", FrameBuffer, ("add", "add_one", "forget")),
    ("places, phases, events", SessionTracker, ("advance", "goes_on")),
    ("pass: trace on the nodes", passes, ("drive_trace",)),
    ("pass: measures", passes, ("measure",)),
    ("pass: contrast to the reference", passes, ("contrast",)),
    ("pass: losses and laps", PassBuilder, ("build",)),
    ("pass: bands and book-keeping", PassRecorder, ("measure",)),
    ("diagnosis", Diagnosis, ("findings",)),
    ("cues: schedule learns", CueContext, ("learn",)),
    ("cues: candidates", CueContext, ("approach", "after")),
    ("cues: arbiter", CueContext, ("consider",)),
)


class Shares:
    """Own times of the stages [s] and how often each was entered."""

    def __init__(self) -> None:
        self.own_s = {name: 0.0 for name, _, _ in STAGES}
        self.calls = dict.fromkeys(self.own_s, 0)
        self._inner: list[float] = []

    def timed(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        """``call`` with its own time added to stage ``name``."""

        def run(*args: Any, **kwargs: Any) -> Any:
            self._inner.append(0.0)
            began = time.thread_time()
            try:
                return call(*args, **kwargs)
            finally:
                took = time.thread_time() - began
                self.own_s[name] += took - self._inner.pop()
                self.calls[name] += 1
                if self._inner:
                    self._inner[-1] += took

        return run


@contextmanager
def shares() -> Iterator[Shares]:
    """While this holds every stage is timed (which adds a microsecond or so a call)."""
    out = Shares()
    patches = [
        mock.patch.object(where, function, out.timed(name, getattr(where, function)))
        for name, where, functions in STAGES
        for function in functions
    ]
    for patch in patches:
        patch.start()
    try:
        yield out
    finally:
        for patch in patches:
            patch.stop()
