"""The voice process: ``python -m coach.outputs.voice.process``, started by the supervisor."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable

import msgspec

from coach.core.values import Decision
from coach.errors import OutputError
from coach.outputs.base import Notice, Quiet
from coach.outputs.bus.subscriber import Subscriber
from coach.outputs.bus.table import Bye, Volume
from coach.outputs.child import NOT_HERE, Link, run_child
from coach.outputs.voice.bank import PhraseBank
from coach.outputs.voice.options import VoiceOptions
from coach.outputs.voice.player import Player
from coach.outputs.voice.tones import TonePlayer


class VoiceOutput(Quiet):
    """Speaks decisions. It does not render an unprepared text on demand, as that would be late.

    It renders it in the background for the next time; ``missed`` counts these. The player's thread calls
    ``on_start(text)`` when a clip begins.
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
        """Set the volume from the next clip on, 0..1."""
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
        """Prepare clips for more texts on a separate thread."""
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
        """Close the player; wait a moment for a phrase being rendered."""
        if self._tones is not None:
            self._tones.close()
        self._player.close()
        for thread in self._preparing:
            thread.join(timeout=2.0)


WAIT_S = 0.25


class VoiceSetup(msgspec.Struct, frozen=True):
    """Start message of the voice process: the bus, its options, the phrases to prepare."""

    address: str
    options: VoiceOptions
    texts: tuple[str, ...] = ()


def voice_process_main() -> None:
    """Speak the bus's cues until the parent or the run ends."""
    run_child(_speak)


def _speak(link: Link) -> int:
    setup = link.setup(VoiceSetup)
    try:
        # listen first: cues queue up while the clips load
        bus = Subscriber(setup.address, state=False)
        bank = setup.options.bank()
        player = setup.options.player(link.note)
    except OutputError as error:
        link.note(str(error))
        return NOT_HERE
    bank.prepare(setup.texts, lambda done, of: link.alive())
    voice = VoiceOutput(
        bank,
        player,
        link.note,
        lambda text: link.report("started", text),
        setup.options.tone_player(player, lambda name: link.report("sounded", name)),
    )
    player.ready.wait(timeout=5.0)
    link.report("ready")
    try:
        while not link.ended.is_set():
            for message in bus.read(WAIT_S):
                if isinstance(message, Decision):
                    voice.decision(message)
                elif isinstance(message, Volume):
                    voice.set_volume(message.share)
                elif isinstance(message, Bye):
                    return 0
            if not player.stuck:
                link.alive()  # else the parent kills and restarts the whole process
    finally:
        voice.close()
        bus.close()
    return 0


if __name__ == "__main__":
    voice_process_main()
