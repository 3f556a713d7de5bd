"""The guide as sentences of a sighting lap, in the language and units of the driver."""

from __future__ import annotations

from pathlib import Path

from coach.app.guide.guiding import brake_board
from coach.core.measure.passes import CornerReference
from coach.core.track.zones import zones
from coach.core.unit_system import METRIC, Units
from coach.core.values import Corner
from coach.profile.language_file import Catalogue, load_language
from coach.profile.store import Plan

ROUND_TO = 5


def sentences(corner: Corner, got: dict[str, float], words: Catalogue, system: Units = METRIC) -> list[str]:
    """Return the sentences of the sighting lap before ``corner``, in order, in the language of ``words``."""
    language = words.language

    def text(key: str, **values: str) -> str:
        return _sentence(words.texts[f"guide.{key}"].format(**values))

    out = [text("corner", corner=corner.say or corner.name, direction=language.direction(corner.direction))]
    out += [text("caution", words=c.words) for c in corner.cautions]
    if corner.brake_m == corner.brake_m:
        length = (corner.turn_in_m - corner.brake_m) * system.per_m
        if where := brake_board(corner, language, system):
            out.append(text("brake_board", board=where))
        elif length >= ROUND_TO:
            said = dict(language.lengths)[system.spoken].replace("{n}", _rounded(length))
            out.append(text("brake_before", distance=said))
        else:
            out.append(text("brake_turn_in"))
    if gear := language.ordinal(corner.gear):
        out.append(text("gear", gear=gear))
    speed = got["min_speed_mps"] * system.per_mps
    if speed == speed:
        out.append(text("speed", speed=_rounded(speed)))
    if corner.apex is not None:
        out.append(text("apex", apex=language.apex(corner.apex)))
    out += [text(kerb) for kerb in ("kerb_apex", "kerb_exit") if getattr(corner, kerb) == "avoid"]
    return [*out, *(f"{_sentence(own)}." for own in corner.words)]


def _rounded(value: float) -> str:
    return str(max(ROUND_TO * round(value / ROUND_TO), ROUND_TO))


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]


def all_sentences(plan: Plan, language: str | Path = "en", system: Units = METRIC) -> dict[int, list[str]]:
    """Return the sentences of the sighting lap by corner number."""
    words = load_language(language)
    parts = zones(plan.corners, plan.reference.length_m, plan.reference.closed)
    measures = (CornerReference(plan.reference, zone).measures for zone in parts)
    return {
        i: sentences(zone.corner, got, words, system) for i, (zone, got) in enumerate(zip(parts, measures, strict=True))
    }
