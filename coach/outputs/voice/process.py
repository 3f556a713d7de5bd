"""The voice process: ``python -m coach.outputs.voice.process``, started by the supervisor."""

from __future__ import annotations

import msgspec

from coach.core.values import Decision
from coach.errors import OutputError
from coach.outputs.bus.subscriber import Subscriber
from coach.outputs.bus.table import Bye, Volume
from coach.outputs.child import NOT_HERE, Link, run_child
from coach.outputs.voice.options import VoiceOptions
from coach.outputs.voice.output import VoiceOutput

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
