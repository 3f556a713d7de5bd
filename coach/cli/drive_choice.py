"""Which feed the options of ``coach drive`` mean; an option that would do nothing is refused."""

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
"""Option -> the feeds it does something for."""
CHOOSES: Final = {"packet_map": "map", "receiver": "nmea", "session": "replay"}
"""Options that choose their feed when none is named."""
NAMES: Final = {"packet_map": "--map", "no_record": "--no-record", "words_per_minute": "--words-per-minute",
                "voice_id": "--voice-id", "survey_after": "--survey-after", "tone_corner": "--tone-corner"}  # fmt: skip
OF_VOICE: Final = ("voice_id", "device", "volume", "buffer", "mark", "tones")


def option_of(name: str) -> str:
    """The option as it is typed."""
    return NAMES.get(name, f"--{name}")


def chosen_feed(given: Collection[str]) -> str:
    """The feed that the ``given`` options choose where --feed is not among them: the practice car without any."""
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
    """Raise typer.BadParameter for the first given option that would do nothing.

    ``given`` are the parameters that the user typed; ``profile`` tells whether there is a profile to coach by.
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
    """Which tones are asked for; typer.BadParameter names one that there is not."""
    for name in names:
        if name not in KINDS:
            raise typer.BadParameter(f"--tones: expected one of {', '.join(KINDS)}; found {name!r}")
    return tuple(kind for kind in get_args(ToneKind) if kind in names)


def _idle(name: str, why: str) -> typer.BadParameter:
    return typer.BadParameter(f"{option_of(name)} does nothing {why}")
