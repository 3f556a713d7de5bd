"""The guide as a sighting lap: each corner's text spoken in its place on a slow replay of the reference.

The lap slows down for the words: a stretch too short for the next corner's text is replayed slower, so that all of it
ends before the brake point.
"""

from __future__ import annotations

import threading
import time
import wave
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from coach.app.guide.guiding import all_sentences
from coach.core.track.reference import Reference
from coach.core.track.zones import zones
from coach.core.unit_system import METRIC, Units
from coach.errors import CoachError
from coach.profile.store import Plan

BREATH_S: Final = 0.25
"""Silence between two sentences [s]."""
MARGIN_S: Final = 1.0
"""Margin between the text's end and the brake point [s]."""
PACES: Final = (0.1, 1.0)


class SightingError(CoachError):
    """An invalid pace, or a file that cannot be written."""


@dataclass(frozen=True)
class Utterance:
    """One sentence of the lap: session time [s] from the line at the slow pace, place [m], and duration."""

    t_s: float
    s_m: float
    corner: str
    text: str
    seconds: float


@dataclass(frozen=True)
class SightingLap:
    """All sentences, in order; ``lap_s`` is the time of the slow lap."""

    said: tuple[Utterance, ...]
    lap_s: float


def check_pace(pace: float) -> None:
    """Raise SightingError unless the pace is allowed."""
    if not PACES[0] <= pace <= PACES[1]:
        raise SightingError(f"pace: expected {PACES[0]:g} to {PACES[1]:g}, found {pace:g}")


def texts_of(plan: Plan, language: str | Path = "en", system: Units = METRIC) -> list[str]:
    """Return every sentence, to determine the durations beforehand."""
    return [text for corner in all_sentences(plan, language, system).values() for text in corner]


def sighting_lap(
    plan: Plan, durations: Mapping[str, float], pace: float, language: str | Path = "en", system: Units = METRIC
) -> SightingLap:
    """Place each sentence on a lap at ``pace`` times the reference's speed (0.1 to 1). Raise SightingError otherwise.

    ``durations`` are the lengths of the sentences [s].
    """
    check_pace(pace)
    reference = plan.reference
    said: list[Utterance] = []
    now = ref = 0.0
    parts = zones(plan.corners, reference.length_m, reference.closed)
    for zone, texts in zip(parts, all_sentences(plan, language, system).values(), strict=True):
        talk = sum(durations[t] for t in texts) + BREATH_S * (len(texts) - 1) + MARGIN_S
        quiet = max(float(reference.at("t_s", zone.quiet_m)), ref)
        drive = max((quiet - ref) / pace, talk)
        start = now + drive - talk
        for text in texts:
            at = ref + (start - now) / drive * (quiet - ref)
            said.append(Utterance(start, _place(reference, at), zone.corner.name, text, durations[text]))
            start += durations[text] + BREATH_S
        apex = max(float(reference.at("t_s", zone.apex_m)), quiet)
        now, ref = now + drive + (apex - quiet) / pace, apex
    return SightingLap(tuple(said), now + max(reference.lap_time_s - ref, 0.0) / pace)


def _place(reference: Reference, t_s: float) -> float:
    places = np.arange(len(reference) + 1) * reference.step_m
    return float(np.interp(t_s, [*reference.t_s, reference.lap_time_s], places))


def play(
    lap: SightingLap,
    say: Callable[[Utterance], object],
    stop: threading.Event,
    clock: Callable[[], float] = time.monotonic,
) -> None:
    """Call ``say`` for each sentence at its time, until the lap is over or ``stop`` is set."""
    began = clock()
    for one in lap.said:
        if stop.wait(max(0.0, began + one.t_s - clock())):
            return
        say(one)
    stop.wait(max(0.0, began + lap.lap_s - clock()))


def write_wav(path: Path, lap: SightingLap, clip: Callable[[str], bytes | None], rate_hz: int) -> None:
    """Write the whole lap as one sound file, 16-bit mono; raise SightingError on failure."""
    total = max(lap.lap_s, max((u.t_s + u.seconds for u in lap.said), default=0.0))
    sound = bytearray(2 * int(total * rate_hz) + 2)
    for one in lap.said:
        data = clip(one.text) or b""
        at = 2 * int(one.t_s * rate_hz)
        sound[at : at + len(data)] = data[: max(len(sound) - at, 0)]
    try:
        # opened here: the module leaks a half-built object if it fails to open the file itself
        with path.open("wb") as file, wave.open(file, "wb") as wav:
            wav.setnchannels(1)
            wav.setsampwidth(2)
            wav.setframerate(rate_hz)
            wav.writeframes(bytes(sound))
    except OSError as error:
        raise SightingError(f"{path}: the sound cannot be written ({error.strerror})") from None
