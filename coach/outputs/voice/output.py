"""The voice as an output: a spoken decision becomes a clip from the bank, played on the player's thread."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable

from coach.core.values import Decision
from coach.outputs.base import Notice, Quiet
from coach.outputs.voice.bank import PhraseBank
from coach.outputs.voice.player import Player
from coach.outputs.voice.tones import TonePlayer


class VoiceOutput(Quiet):
    """Speaks. A text that was not prepared is not rendered while it is wanted: it would be late.

    It is rendered behind the run, so that it is there the next time; ``missed`` counts these.
    ``on_start(text)`` is called on the player's thread when a clip begins.
    """

    def __init__(
        self,
        bank: PhraseBank,
        player: Player,
        notice: Notice,
        on_start: Callable[[str], None] | None = None,
        tones: TonePlayer | None = None,
    ) -> None:
        self.missed = 0
        self._bank = bank
        self._player = player
        self._notice = notice
        self._on_start = on_start
        self._tones = tones
        self._late: set[str] = set()
        self._preparing: list[threading.Thread] = []
        if bank.problem:
            notice(bank.problem)

    def decision(self, decision: Decision) -> None:
        """Play a spoken or sounded decision; returns at once."""
        if decision.outcome == "spoken":
            self.say(decision.text, decision.safety)
        elif decision.outcome == "sounded" and self._tones is not None:
            self._tones.decision(decision)

    def set_volume(self, share: float) -> None:
        """Speak this loud from the next clip on, 0..1."""
        self._player.set_volume(share)

    def say(self, text: str, safety: bool = False) -> None:
        """Play ``text``; returns at once."""
        clip = self._bank.clip(text)
        if clip is None:
            self._miss(text)
            return
        on_start = self._on_start
        self._player.say(clip, safety, None if on_start is None else lambda: on_start(text))

    def prepare(self, texts: Iterable[str]) -> None:
        """Have clips for more texts, on a thread of its own."""
        self._preparing = [t for t in self._preparing if t.is_alive()]
        thread = threading.Thread(target=self._bank.prepare, args=(tuple(texts),), name="voice-prepare", daemon=True)
        self._preparing.append(thread)
        thread.start()

    def _miss(self, text: str) -> None:
        self.missed += 1
        if text in self._late or not text.strip():
            return
        if not self._late and not self._bank.problem:
            self._notice(f"{text!r} was not prepared: shown as a caption, spoken from the next time on")
        self._late.add(text)
        if not self._bank.problem:
            self.prepare([text])

    def close(self) -> None:
        """End the player; a phrase that is just being rendered is waited for a moment."""
        if self._tones is not None:
            self._tones.close()
        self._player.close()
        for thread in self._preparing:
            thread.join(timeout=2.0)
