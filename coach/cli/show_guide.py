"""Prints and speaks the guide."""

from __future__ import annotations

import threading
from pathlib import Path

from coach.app.guide.sighting import SightingLap, Utterance, play, sighting_lap, texts_of, write_wav
from coach.app.voice_choice import voice_for
from coach.cli.progress import phrase_progress
from coach.cli.show import as_json as print_json
from coach.cli.show import say, warn
from coach.core.unit_system import Units
from coach.outputs.console import lap_time
from coach.outputs.voice.bank import PhraseBank
from coach.outputs.voice.sound import RATE_HZ
from coach.pages.guide import GuideView
from coach.profile.language_file import load_language
from coach.profile.store import Plan


def show_guide(view: GuideView, as_json: bool) -> None:
    """Print the guide as text or JSON."""
    if as_json:
        corners = [
            {"corner": c.name, "where": c.subtitle, "facts": dict(c.facts), "cautions": c.cautions,
             "limits": c.limits, "words": c.words}
            for c in view.corners
        ]  # fmt: skip
        print_json({"schema": 1, "circuit": view.circuit, "facts": dict(view.facts), "corners": corners})
        return
    say(f"{view.circuit}: " + ", ".join(f"{name} {value}" for name, value in view.facts))
    for line in view.cautions:
        say(f"! {line}")
    for c in view.corners:
        say("")
        say(f"{c.name}: {c.subtitle}")
        say("  " + "; ".join(f"{name} {text}" for name, text in c.facts))
        for line in c.cautions:
            say(f"  ! {line}")
        for line in (*c.limits, *c.words):
            say(f"  {line}")


def speak_guide(plan: Plan, pace: float, *, aloud: bool, sound: Path | None, language: str, system: Units) -> None:
    """Speak the sighting lap in real time, write it as a sound file, or both."""
    words = load_language(language)
    bank = PhraseBank(voice=voice_for(words), pronunciations={**words.pronounce, **plan.pronounce})
    with phrase_progress() as progress:
        durations = bank.prepare(texts_of(plan, language, system), progress)
    lap = sighting_lap(plan, durations, pace, language, system)
    if bank.problem:
        warn(bank.problem)
    say(f"{plan.circuit}: sighting lap of {lap_time(lap.lap_s)}, {len(lap.said)} sentences")
    if sound is not None:
        write_wav(sound, lap, bank.clip, RATE_HZ)
        say(f"written: {sound}")
    if aloud:
        _speak(lap, bank)


def _speak(lap: SightingLap, bank: PhraseBank) -> None:
    from coach.outputs.voice.device import MixerDevice
    from coach.outputs.voice.player import Player

    player = Player(MixerDevice(), warn)
    stop = threading.Event()

    def one(u: Utterance) -> None:
        say(f"{u.s_m:7.0f} m  {u.corner}: {u.text}")
        clip = bank.clip(u.text)
        if clip is not None:
            player.say(clip)

    try:
        play(lap, one, stop)
    finally:
        stop.set()
        player.close()
