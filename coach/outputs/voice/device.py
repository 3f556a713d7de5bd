"""The sound device through pygame's mixer: one voice at a time, 48 kHz mono 16 bit."""

from __future__ import annotations

import os
from typing import Protocol

import numpy as np

from coach.errors import OutputError
from coach.outputs.child import suppressed_stderr
from coach.outputs.voice.sound import RATE_HZ

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")

BUFFERS = (256, 512, 1024, 2048)
FADE_S = 0.010


class Device(Protocol):
    """The player's interface to a sound device. Any call may raise OutputError if the device is gone."""

    def open(self) -> None:
        """Open it and play one second of silence, as the first sound after opening is late."""

    def play(self, clip: bytes) -> None:
        """Start ``clip`` (16-bit mono at 48 kHz); fade out the current sound in 10 ms."""

    def tone(self, clip: bytes) -> None:
        """Start a tone on its own channel beside other sound; as many channels as the device has."""

    def set_volume(self, share: float) -> None:
        """Set the volume of clips and tones from the next one on, 0..1."""

    def alive(self) -> bool:
        """Return whether sound would be audible; called about once a second during silence."""

    def close(self) -> None:
        """Close it."""


def list_devices() -> list[str]:
    """Return the names of the sound outputs of this machine; empty if there is none."""
    import pygame
    from pygame._sdl2 import audio

    opened = pygame.mixer.get_init() is not None
    try:
        if not opened:
            with suppressed_stderr():
                pygame.mixer.init(RATE_HZ, -16, 1, 512, allowedchanges=0)
        return list(audio.get_audio_device_names(False))
    except pygame.error:
        return []
    finally:
        if not opened:
            pygame.mixer.quit()


class MixerDevice:
    """pygame's mixer on one output device (empty name: the system's default).

    ``volume`` is 0 to 1, ``buffer`` is in samples: 512 (11 ms) by default, 256 (5 ms) on a fast machine. ``stereo``
    opens two channels; clips stay mono, tones use both. The constructor raises OutputError for an invalid buffer.
    """

    def __init__(self, name: str = "", buffer: int = 512, volume: float = 1.0, stereo: bool = False) -> None:
        if buffer not in BUFFERS:
            raise OutputError(f"sound buffer: expected one of {', '.join(map(str, BUFFERS))}; found {buffer} samples")
        self._name = name
        self._buffer = buffer
        self._volume = volume
        self.stereo = stereo
        # the mixer steps a fade once per buffer: a shorter fade would sometimes be a hard cut
        self._fade_ms = round(max(FADE_S, buffer / RATE_HZ + 0.001) * 1000)
        self._turn = 0
        self._outputs: list[str] = []

    def open(self) -> None:
        """Open the mixer; raise OutputError if there is no such device."""
        import pygame
        from pygame._sdl2 import audio

        try:
            with suppressed_stderr():
                pygame.mixer.init(
                    RATE_HZ, -16, 1 + self.stereo, self._buffer, devicename=self._name or None, allowedchanges=0
                )
            pygame.mixer.set_num_channels(3)
            self.play(bytes(2 * RATE_HZ))
            self._outputs = list(audio.get_audio_device_names(False))
        except pygame.error as error:
            which = f"sound device {self._name!r}" if self._name else "sound device"
            raise OutputError(f"no {which}: {error}") from error

    def play(self, clip: bytes) -> None:
        """Start the clip on the other of two channels while the previous one fades out."""
        import pygame

        try:
            pygame.mixer.Channel(self._turn).fadeout(self._fade_ms)
            self._turn = 1 - self._turn
            clip_sound = pygame.mixer.Sound(buffer=_both(clip) if self.stereo else clip)
            clip_sound.set_volume(self._volume)
            pygame.mixer.Channel(self._turn).play(clip_sound)
        except pygame.error as error:
            raise OutputError(f"the sound device is gone: {error}") from error

    def tone(self, clip: bytes) -> None:
        """Start the tone on the third channel."""
        import pygame

        try:
            sound = pygame.mixer.Sound(buffer=clip)
            sound.set_volume(self._volume)
            pygame.mixer.Channel(2).play(sound)
        except pygame.error as error:
            raise OutputError(f"the sound device is gone: {error}") from error

    def set_volume(self, share: float) -> None:
        """Set the volume from the next clip on."""
        self._volume = share

    def alive(self) -> bool:
        """Return whether the machine's outputs are unchanged, as the mixer does not notice a lost device.

        Any change counts, even an addition, so that reopening follows the system's default.
        """
        import pygame
        from pygame._sdl2 import audio

        if pygame.mixer.get_init() is None:
            return False
        try:
            return list(audio.get_audio_device_names(False)) == self._outputs
        except pygame.error:
            return False

    def close(self) -> None:
        """Close the mixer."""
        import pygame

        if pygame.mixer.get_init() is not None:
            pygame.mixer.quit()


def _both(clip: bytes) -> bytes:
    """Return a mono clip for two channels."""
    return np.repeat(np.frombuffer(clip, "<i2"), 2).tobytes()
