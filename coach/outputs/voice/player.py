"""Plays clips on a thread of its own: one speaker, nothing but a safety caution interrupts, nothing is late.

What is asked for while something sounds waits only a moment, else it is dropped: a late cue is worse than none.
A device that is missing or lost is said once and tried again, each time after a longer wait.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from coach.errors import OutputError
from coach.outputs.base import Notice
from coach.outputs.voice.device import Device
from coach.outputs.voice.sound import RATE_HZ

WAIT_S = 0.3
SAFETY_WAIT_S = 1.5
RETRY_S = (0.5, 1.0, 2.0, 4.0, 8.0)
WATCH_S = 1.0
STUCK_S = 5.0


@dataclass
class PlayerCounts:
    """What became of the clips: played, dropped because another sounded, not heard for want of a device.

    ``cut`` counts clips that a safety caution ended early, ``reopened`` devices that came back.
    """

    played: int = 0
    dropped: int = 0
    cut: int = 0
    unheard: int = 0
    reopened: int = 0


@dataclass
class _Ask:
    clip: bytes
    safety: bool
    at: float
    on_start: Callable[[], None] | None = field(default=None)


class Player:
    """``say`` hands a clip to the thread and returns; ``close`` ends the thread (what sounds is faded out)."""

    def __init__(
        self,
        device: Device,
        notice: Notice,
        retry_s: tuple[float, ...] = RETRY_S,
        watch_s: float = WATCH_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.counts = PlayerCounts()
        self.ready = threading.Event()
        self._device = device
        self._notice = notice
        self._retry_s = retry_s
        self._watch_s = watch_s
        self._clock = clock
        self._asks: queue.SimpleQueue[_Ask | None] = queue.SimpleQueue()
        self._open = False
        self._told = False
        self._tries = 0
        self._next_try = 0.0
        self._until = 0.0
        self._safety = False
        self._turned = clock()
        self._thread = threading.Thread(target=self._run, name="voice-player", daemon=True)
        self._thread.start()

    def say(self, clip: bytes, safety: bool = False, on_start: Callable[[], None] | None = None) -> None:
        """Play ``clip`` (16-bit mono at 48 kHz) now; returns at once. ``on_start`` is called when it begins."""
        self._asks.put(_Ask(clip, safety, self._clock(), on_start))

    def tone(self, clip: bytes) -> None:
        """Start a tone at once, on the caller's thread; OutputError while there is no device."""
        if not self._open:
            raise OutputError("no sound device is open")
        self._device.tone(clip)

    def set_volume(self, share: float) -> None:
        """Play this loud from the next clip on, 0..1."""
        self._device.set_volume(share)

    def close(self) -> None:
        """End the thread and give the device back; a second call does nothing."""
        if self._thread.is_alive():
            self._asks.put(None)
            self._thread.join(timeout=5.0)

    @property
    def stuck(self) -> bool:
        """Whether the thread has not come round for five seconds: a sound driver hangs."""
        return self._clock() - self._turned > STUCK_S

    @property
    def working(self) -> bool:
        """Whether a device is open."""
        return self._open

    def _run(self) -> None:
        self._try_open()
        self.ready.set()
        while True:
            self._turned = self._clock()
            try:
                ask = self._asks.get(timeout=self._watch_s)
            except queue.Empty:
                self._watch()
                continue
            if ask is None:
                break
            self._handle(ask)
        if self._open:
            self._device.close()

    def _handle(self, ask: _Ask) -> None:
        if not self._open:
            self._watch()
        if not self._open:
            self.counts.unheard += 1
            return
        now = self._clock()
        left = self._until - now
        if left > 0 and (self._safety or not ask.safety):
            # equals never cut one another: wait a moment, and no longer than the cue may be late
            if left > (SAFETY_WAIT_S if ask.safety else WAIT_S) - (now - ask.at):
                self.counts.dropped += 1
                return
            time.sleep(left)
        elif left > 0:
            self.counts.cut += 1
        try:
            self._device.play(ask.clip)
        except OutputError as error:
            self.counts.unheard += 1
            self._lost(str(error))
            return
        self._until = self._clock() + len(ask.clip) / (2 * RATE_HZ)
        self._safety = ask.safety
        self.counts.played += 1
        if ask.on_start is not None:
            ask.on_start()

    def _watch(self) -> None:
        """Between cues: notice that the device went, or try to have it again when its time has come."""
        if self._open:
            if self._clock() > self._until and not self._device.alive():
                self._open = False
                self._device.close()
                self._tries = 0
                self.counts.reopened += 1
                self._try_open()
        elif self._clock() >= self._next_try:
            self._try_open()

    def _lost(self, why: str) -> None:
        self._open = False
        self._device.close()
        self._tell(why)
        self._tries = 0
        self._next_try = self._clock() + self._retry_s[0]

    def _try_open(self) -> None:
        try:
            self._device.open()
        except OutputError as error:
            self._tell(str(error))
            self._next_try = self._clock() + self._retry_s[min(self._tries, len(self._retry_s) - 1)]
            self._tries += 1
            return
        self._open = True
        self._tries = 0
        if self._told:
            self.counts.reopened += 1
            self._notice("the sound device is back: cues are heard again")
            self._told = False

    def _tell(self, why: str) -> None:
        if not self._told:
            self._told = True
            self._notice(f"{why}; cues are shown as captions until it is there")
