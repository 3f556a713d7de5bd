"""Prints a survey, and a guide."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
from rich.table import Table

from coach.app.guide.sighting import SightingLap, Utterance, play, sighting_lap, texts_of, write_wav
from coach.app.voice_choice import voice_for
from coach.cli.progress import phrase_progress
from coach.cli.show import as_json, console, say, warn
from coach.cli.show import as_json as print_json
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


if TYPE_CHECKING:
    from coach.app.surveying import SurveyOutcome


def show_survey(done: SurveyOutcome, json: bool) -> None:
    """Print laps, corners and the merge's result."""
    found = done.survey
    if json:
        as_json(
            {
                "profile": str(done.profile),
                "circuit": found.reference.circuit,
                "length_m": found.reference.length_m,
                "reference_lap": found.reference_lap,
                "lap_time_s": found.reference.lap_time_s,
                "inferred_pedals": found.reference.inferred_pedals,
                "corners": [_corner(c) for c in done.corners],
                "kept_reference": str(done.kept) if done.kept is not None else None,
                "laps": [
                    {"lap": lap.number, "time_s": lap.time_s, "valid": lap.valid, "reason": lap.reason}
                    for lap in found.laps
                ],
                "notes": found.notes,
                "merged": msgspec.to_builtins(done.merged) if done.merged is not None else None,
            }
        )
        return
    reference = found.reference
    say(
        f"{reference.circuit}: {reference.length_m:.0f} m, reference is lap {found.reference_lap} "
        f"({lap_time(reference.lap_time_s)}), {len(done.corners)} corners"
    )
    table = Table("corner", "turns", "brake", "turn-in", "apex", "exit", "end", "gear", "apex kind", "boards", box=None)
    for c in done.corners:
        places = [f"{x:.0f}" if x == x else "-" for x in (c.brake_m, c.turn_in_m, c.apex_m, c.exit_m, c.end_m)]
        boards = " ".join(f"{b:.0f}" for b in c.boards_m) or "-"
        table.add_row(c.name, c.direction, *places, str(c.gear or "-"), c.apex or "-", boards)
    console.print(table)
    for lap in found.laps:
        if not lap.valid:
            say(f"skipped: lap {lap.number} ({lap_time(lap.time_s)}): {lap.reason}")
    for note in found.notes:
        say(note)
    if done.merged is not None:
        _show_merge(done.merged)
    if done.tail:
        say(done.tail)
    if done.kept is not None:
        say(f"old reference kept: {done.kept}")
    say(f"written: {done.profile}")


def _corner(corner: Any) -> dict[str, Any]:
    return {
        name: None if isinstance(value, float) and value != value else sorted(value) if name == "muted" else value
        for name, value in msgspec.structs.asdict(corner).items()
    }


def _show_merge(merged: Any) -> None:
    for corner, fieldname, ours, theirs in merged.kept:
        say(f"kept your {fieldname} of {corner}: {ours} (the survey found {theirs})")
    if merged.added:
        say(f"new corners: {', '.join(merged.added)}")
    for corner in merged.vanished:
        say(f"{corner} was not found this time and stays unchanged")
    for corner, why in merged.refused:
        say(f"{corner}: the survey's numbers were not used: {why}")
    for direction, apex_m in merged.left_out:
        say(
            f"the {direction} corner at {apex_m:.0f} m was deleted from the profile and stays out (see its last_survey)"
        )
    say(f"{len(merged.refreshed)} numbers updated")
