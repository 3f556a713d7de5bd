"""The guide of a circuit: what to do at each corner, as data and as sentences of a sighting lap."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from coach.core.cue.boards import board_place
from coach.core.cue.language import ENGLISH, Language, Side
from coach.core.measure.passes import CornerReference
from coach.core.track.reference import Reference
from coach.core.track.zones import Zone, zones
from coach.core.unit_system import METRIC, Units
from coach.core.values import Corner, Mark
from coach.outputs.console import lap_time
from coach.pages.corner_drawing import corner_map, corner_trace
from coach.pages.guide import CornerGuide, GuideView
from coach.pages.track_map import TrackMap, mark_lines
from coach.profile.language_file import Catalogue, load_language
from coach.profile.store import Plan

_KERB: Final = {"use": "use it", "touch": "touch it", "avoid": "stay off"}
_CAUTION: Final = {
    "bump": "bump",
    "crest": "crest",
    "track_limit": "track limits",
    "kerb": "kerb",
    "surface": "surface",
    "other": "watch out",
}
CAUTIONS: Final = (
    "On a real track: closed circuit only, and only as fast as you can see and stop.",
    "Instructor, marshals, flags and local rules come before anything written here.",
    "Brake points belong to one car, one set of tyres and a dry track: start well before them and move later in "
    "small steps; never beyond a limit.",
    "Read it while parked, never while driving.",
)


def guide_view(plan: Plan, system: Units = METRIC, marks: Sequence[Mark] = ()) -> GuideView:
    """Return the content of the guide page."""
    reference = plan.reference
    track = TrackMap(reference, plan.corners, marks)
    parts = zones(plan.corners, reference.length_m, reference.closed)
    fastest, slowest = float(reference.speed_mps.max()), float(reference.speed_mps.min())
    length = system.length_text(reference.length_m)
    facts = [
        ("length", length if reference.closed else f"{length}, one way"),
        ("corners", str(len(plan.corners))),
        ("reference lap", lap_time(reference.lap_time_s)),
        ("speeds", f"{slowest * system.per_mps:.0f} to {system.speed_text(fastest)}"),
    ]
    notes = ["Brake and throttle are inferred from the speed of the lap."] if reference.inferred_pedals else []
    notes += [f"You marked {line}." for line in mark_lines(marks, plan.corners, reference)]
    return GuideView(
        plan.circuit,
        facts,
        notes,
        CAUTIONS,
        track,
        track.labels() if track.known else [],
        [corner_guide(reference, zone, system) for zone in parts],
        system.speed,
    )


def corner_guide(reference: Reference, zone: Zone, system: Units = METRIC) -> CornerGuide:
    """Return one corner in words and pictures."""
    corner = zone.corner
    got = CornerReference(reference, zone).measures
    return CornerGuide(
        corner.name,
        f"{corner.direction}-hander, {corner.turn_in_m * system.per_m:.0f} to {system.length_text(corner.exit_m)} "
        "along the lap",
        [(name, text) for name, text in _facts(corner, got, system) if text],
        [_caution(corner, i, system) for i in range(len(corner.cautions))],
        list(corner.words),
        _limits(corner, system),
        corner_map(reference, zone),
        corner_trace(reference, zone, system),
    )


def _facts(corner: Corner, got: dict[str, float], system: Units) -> list[tuple[str, str]]:
    brake, turn = got["brake_start_m"], corner.turn_in_m
    release, peak = got["brake_release_m"], got["brake_peak"]
    throttle, full = got["throttle_start_m"], got["full_throttle_m"]
    where = brake_board(corner, system=system)
    if where:
        where = f"{where} ({system.length_text(turn - corner.brake_m)} before turn-in)"
    out = [
        ("brake", "" if math.isnan(corner.brake_m) else where or f"{_before(turn - corner.brake_m, system)}"),
        ("peak brake", f"{peak * 100:.0f} %" if peak == peak and peak > 0 and brake == brake else ""),
        ("off the brake", _place(release, corner, system) if brake == brake else ""),
        ("gear", ENGLISH.ordinal(corner.gear)),
        (
            "minimum speed",
            f"{system.speed_text(got['min_speed_mps'])}, {_place(got['min_speed_at_m'], corner, system)}",
        ),
        ("apex", f"{corner.apex or ''} at {system.length_text(corner.apex_m)}".strip()),
        ("throttle", _place(throttle, corner, system)),
        ("full throttle", _place(full, corner, system)),
    ]
    kerbs = (("entry kerb", corner.kerb_entry), ("apex kerb", corner.kerb_apex), ("exit kerb", corner.kerb_exit))
    out += [(name, _KERB[use]) for name, use in kerbs if use is not None]
    return out


def brake_board(corner: Corner, language: Language = ENGLISH, system: Units = METRIC) -> str:
    """Return the brake point by its board, "" without one; never a board beyond the latest brake point."""
    place = board_place(corner, system)
    if place is None:
        return ""
    side: Side = "before" if place.side == "at" and place.brakes_m > corner.latest_brake_m else place.side
    return f"{language.side(side)} {language.board(place.number, 'long')}"


def _before(metres: float, system: Units) -> str:
    if abs(metres) < 1.0:
        return "at turn-in"
    return f"{system.length_text(abs(metres))} {'before' if metres > 0 else 'after'} turn-in"


def _place(at_m: float, corner: Corner, system: Units) -> str:
    """Return a place in words a driver can use: from the turn-in or from the apex."""
    if at_m != at_m:
        return ""
    if at_m < corner.turn_in_m - 5.0:
        return f"{system.length_text(corner.turn_in_m - at_m)} before turn-in"
    off = at_m - corner.apex_m
    if abs(off) < 5.0:
        return "at the apex"
    return f"{system.length_text(abs(off))} {'after' if off > 0 else 'before'} the apex"


def _caution(corner: Corner, i: int, system: Units) -> str:
    c = corner.cautions[i]
    return f"{_CAUTION[c.kind]}: {c.words} ({_place(c.at_m, corner, system)})"


def _limits(corner: Corner, system: Units) -> list[str]:
    out = []
    if corner.latest_brake_m == corner.latest_brake_m:
        out.append(f"latest brake point: {_before(corner.turn_in_m - corner.latest_brake_m, system)}, never later")
    if corner.widest_exit_offset_m == corner.widest_exit_offset_m:
        out.append(
            f"exit: at most {system.length_text(corner.widest_exit_offset_m, 1)} outside the line of the reference"
        )
    return out


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
