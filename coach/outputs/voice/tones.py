"""Plays tones on time: made once, kept ready, and started early by the device's delay.

A tone is 6 LU softer than speech (loudness of its 400 ms after BS.1770), begins and ends without a click, and has a
channel of the mixer to itself.
"""

from __future__ import annotations

import heapq
import itertools
import threading
import time
from collections.abc import Callable
from functools import cache
from typing import Final

import numpy as np

from coach.core.cue.tones import TONE_S
from coach.core.values import Decision
from coach.errors import OutputError
from coach.outputs.voice.loudness import TARGET_LUFS, cells, loudness, whole_cells
from coach.outputs.voice.sound import RATE_HZ, Samples, pcm

SOFTER_LU: Final = 6.0
EDGE_S: Final = 0.005
PITCH_HZ: Final = {"count": 880.0, "point": 1320.0, "release": 660.0, "gain": 990.0, "loss": 495.0}
"""The last of a count-down is higher; gained is high, lost is low (common practice, no source)."""
PAN: Final = {"gain": (0.0, 1.0), "loss": (1.0, 0.0)}
"""Left and right share; other tones are centred."""
ONSET_BUFFERS: Final = 1.5
"""Delay from call to sound in device buffers: half until the next is mixed, one until it plays."""
LATE_S: Final = 0.05
"""A tone later than this is dropped."""
SAME_CLOCK_S: Final = 0.25
"""A larger change between session time and machine clock means that the feed paused."""


@cache
def tone(name: str) -> Samples:
    """Return one tone, of shape (n,): a sine with raised-cosine edges; raise KeyError for an unknown name."""
    n = round(TONE_S * RATE_HZ)
    edge = round(EDGE_S * RATE_HZ)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / edge)
    envelope = np.concatenate([rise, np.ones(n - 2 * edge), rise[::-1]])
    wave = np.sin(2 * np.pi * PITCH_HZ[name] / RATE_HZ * np.arange(n)) * envelope
    gain = 10 ** ((TARGET_LUFS - SOFTER_LU - loudness(cells(whole_cells(wave)))) / 20)
    out: Samples = wave * gain
    return out


@cache
def clip(name: str, stereo: bool) -> bytes:
    """Return the same as 16-bit samples, left and right side by side when ``stereo``."""
    if not stereo:
        return pcm(tone(name))
    left, right = PAN.get(name, (1.0, 1.0))
    return pcm(np.column_stack([left * tone(name), right * tone(name)]).ravel())


class SessionClock:
    """Maps session time to the machine's clock by arrival times of decisions: the fastest arrival has the
    least delay.
    """

    def __init__(self) -> None:
        self._ahead = float("inf")

    def at(self, t_s: float, now_s: float, due_s: float) -> float:
        """Return the machine time of ``due_s`` [s], given a decision made at session time ``t_s`` that arrived at
        ``now_s``.
        """
        ahead = now_s - t_s
        if not abs(ahead - self._ahead) < SAME_CLOCK_S:
            self._ahead = ahead
        # clocks drift, so an old minimum must expire
        self._ahead = min(ahead, self._ahead + 1e-4)
        return due_s + self._ahead


class TonePlayer:
    """Starts tones on its own thread; ``play`` starts one by name and may raise OutputError.

    ``onset_s`` is the delay until it sounds [s]; ``on_start`` is called with the name at the start.
    """

    def __init__(
        self,
        play: Callable[[str], None],
        onset_s: float,
        clock: Callable[[], float] = time.monotonic,
        on_start: Callable[[str], None] | None = None,
    ) -> None:
        self.played = self.late = self.unheard = 0
        self._play = play
        self._onset_s = onset_s
        self._clock = clock
        self._on_start = on_start
        self._session = SessionClock()
        self._due: list[tuple[float, int, str]] = []
        self._number = itertools.count()
        self._changed = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="tones", daemon=True)
        self._thread.start()

    def decision(self, decision: Decision) -> None:
        """Schedule the tone of a decision that just arrived."""
        now = self._clock()
        at = self._session.at(decision.t_s, now, decision.action_t_s) - self._onset_s
        with self._changed:
            heapq.heappush(self._due, (at, next(self._number), decision.text))
            self._changed.notify()

    def close(self) -> None:
        """End the thread; drop pending tones."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(timeout=2.0)

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._closing and (not self._due or self._due[0][0] > self._clock()):
                    self._changed.wait(self._due[0][0] - self._clock() if self._due else None)
                if self._closing:
                    return
                at, _, name = heapq.heappop(self._due)
            if self._clock() - at > LATE_S:
                self.late += 1
                continue
            try:
                self._play(name)
                self.played += 1
                if self._on_start is not None:
                    self._on_start(name)
            except OutputError:
                self.unheard += 1
