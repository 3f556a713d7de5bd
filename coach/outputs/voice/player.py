"""Plays clips on its own thread: one at a time, only safety cautions interrupt, nothing plays late.

A clip requested during another waits only a moment, then is dropped: a late cue is worse than none. A missing or lost
device is reported once and retried with growing pauses.
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
    """Clip counts: played, dropped during another, unheard without a device.

    ``cut`` counts clips interrupted by a safety caution, ``reopened`` recovered devices.
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
    """``say`` hands a clip to the thread and returns; ``close`` ends the thread (and fades out the sound)."""

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
        """Play ``clip`` (16-bit mono at 48 kHz) now; returns at once. call ``on_start`` when it begins."""
        self._asks.put(_Ask(clip, safety, self._clock(), on_start))

    def tone(self, clip: bytes) -> None:
        """Start a tone at once, on the caller's thread; raise OutputError while there is no device."""
        if not self._open:
            raise OutputError("no sound device is open")
        self._device.tone(clip)

    def set_volume(self, share: float) -> None:
        """Set the volume from the next clip on, 0..1."""
        self._device.set_volume(share)

    def close(self) -> None:
        """End the thread and close the device; a second call does nothing."""
        if self._thread.is_alive():
            self._asks.put(None)
            self._thread.join(timeout=5.0)

    @property
    def stuck(self) -> bool:
        """Whether the thread has been blocked for five seconds by a hanging sound driver."""
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
            # equals never interrupt one another: wait a moment, at most the cue's allowed delay
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
        """Between cues, detect a lost device, or retry it when due."""
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
