"""Chooses the feed from the options of ``coach drive``; refuses options without effect."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final, get_args

import typer

from coach.core.cue.tones import KINDS, ToneKind

OPTIONS: Final = {
    "host": ("udp", "map"),
    "port": ("udp", "map"),
    "packet_map": ("map",),
    "capture": ("map",),
    "receiver": ("nmea",),
    "latency": ("nmea",),
    "session": ("replay",),
    "speed": ("practice", "replay", "map", "nmea"),
    "seed": ("practice",),
    "rate": ("practice",),
}
"""Option -> the feeds that use it."""
CHOOSES: Final = {"packet_map": "map", "receiver": "nmea", "session": "replay"}
"""Options that imply their feed."""
NAMES: Final = {"packet_map": "--map", "no_record": "--no-record", "words_per_minute": "--words-per-minute",
                "voice_id": "--voice-id", "survey_after": "--survey-after", "tone_corner": "--tone-corner"}  # fmt: skip
OF_VOICE: Final = ("voice_id", "device", "volume", "buffer", "mark", "tones")


def option_of(name: str) -> str:
    """Return the option as typed."""
    return NAMES.get(name, f"--{name}")


def chosen_feed(given: Collection[str]) -> str:
    """Return the feed implied by the ``given`` options without --feed: by default the practice car."""
    feeds = [feed for name, feed in CHOOSES.items() if name in given]
    if len(feeds) > 1:
        both = " and ".join(option_of(name) for name in CHOOSES if name in given)
        raise typer.BadParameter(f"{both} choose different feeds; give one of them")
    if not feeds and not {"host", "port"}.isdisjoint(given):
        return "udp"
    return feeds[0] if feeds else "practice"


def refuse_idle(
    given: Collection[str], feed: str, *, receiver: str, quiet: bool, voice: bool, no_record: bool, profile: bool
) -> None:
    """Raise typer.BadParameter for the first option without effect.

    ``given`` are the parameters the user typed; ``profile`` is true if there is a profile.
    """
    for name, feeds in OPTIONS.items():
        if name in given and feed not in feeds:
            raise _idle(name, f"with --feed {feed}; it is for --feed {' or '.join(feeds)}")
    capture = "capture" in given
    for name in ("host", "port"):
        if name in given and capture:
            raise _idle(name, "with --capture, which is played from a file")
    if "speed" in given and feed == "map" and not capture:
        raise _idle("speed", "while listening; it is for a --capture")
    if "speed" in given and feed == "nmea" and not receiver.startswith("file:"):
        raise _idle("speed", "with a receiver that is connected; it is for --receiver file:PATH")
    for name in OF_VOICE:
        if name in given and (quiet or not voice):
            raise _idle(name, f"with {'--quiet' if quiet else '--no-voice'}")
    if "record" in given and no_record:
        raise _idle("record", "with --no-record")
    if "keys" in given and "watch" not in given:
        raise _idle("keys", "without --watch")
    if "tone_corner" in given and "tones" not in given:
        raise _idle("tone_corner", "without --tones")
    for name in ("survey_after", "circuit"):
        if name in given and profile:
            raise _idle(name, "with a profile; it is for a circuit without one")


def tone_kinds(names: list[str]) -> tuple[ToneKind, ...]:
    """Return the requested tones; raise typer.BadParameter for an unknown one."""
    for name in names:
        if name not in KINDS:
            raise typer.BadParameter(f"--tones: expected one of {', '.join(KINDS)}; found {name!r}")
    return tuple(kind for kind in get_args(ToneKind) if kind in names)


def _idle(name: str, why: str) -> typer.BadParameter:
    return typer.BadParameter(f"{option_of(name)} does nothing {why}")
