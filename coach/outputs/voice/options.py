"""Voice options, and the bank and player built from them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec

from coach.errors import OutputError
from coach.outputs.base import Notice
from coach.outputs.voice.bank import PhraseBank
from coach.outputs.voice.device import BUFFERS, MixerDevice
from coach.outputs.voice.player import Player
from coach.outputs.voice.renderer import RATES_WPM
from coach.outputs.voice.sound import RATE_HZ
from coach.outputs.voice.tones import ONSET_BUFFERS, PITCH_HZ, TonePlayer, clip


class VoiceOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """``voice`` an id from ``list_voices``, ``device`` a name from ``list_devices``; empty: the default one.

    ``rate_wpm`` 120 to 200 words per minute. ``volume`` 0 to 1. ``buffer`` samples of the device at 48 kHz. ``mark``: a
    short soft tone before each phrase. ``pronunciations``: written word -> spoken word.
    """

    voice: str = ""
    rate_wpm: int = 160
    volume: float = 1.0
    device: str = ""
    buffer: int = 512
    mark: bool = False
    pronunciations: dict[str, str] = {}
    cache_dir: str = ""
    tones: bool = False
    """Also play tones, in stereo."""

    def checked(self) -> VoiceOptions:
        """Return the same; raise OutputError with what was found and what is allowed."""
        if not RATES_WPM[0] <= self.rate_wpm <= RATES_WPM[1]:
            raise OutputError(
                f"speech rate: expected {RATES_WPM[0]} to {RATES_WPM[1]} words a minute, found {self.rate_wpm}"
            )
        if not 0.0 <= self.volume <= 1.0:
            raise OutputError(f"speech volume: expected 0 to 1, found {self.volume:g}")
        if self.buffer not in BUFFERS:
            raise OutputError(
                f"sound buffer: expected one of {', '.join(map(str, BUFFERS))}; found {self.buffer} samples"
            )
        return self

    def bank(self) -> PhraseBank:
        """Return a bank for this voice; without rendering anything yet."""
        return PhraseBank(
            Path(self.cache_dir) if self.cache_dir else None,
            self.voice,
            self.checked().rate_wpm,
            self.pronunciations,
            mark=self.mark,
        )

    def player(self, notice: Notice) -> Player:
        """Return a player on this device; the player's thread opens it."""
        return Player(MixerDevice(self.device, self.checked().buffer, self.volume, self.tones), notice)

    def tone_player(self, player: Player, on_start: Callable[[str], None] | None = None) -> TonePlayer | None:
        """Return the tone player on the player's device; None without tones."""
        if not self.tones:
            return None
        for name in PITCH_HZ:
            clip(name, True)
        return TonePlayer(
            lambda name: player.tone(clip(name, True)), ONSET_BUFFERS * self.buffer / RATE_HZ, on_start=on_start
        )
