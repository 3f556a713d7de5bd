"""The guide to a circuit, corner by corner, from profile and reference: as words, as a page, as a spoken lap."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from coach.core.boards import board_named, board_place
from coach.core.passes import CornerReference
from coach.core.reference import Reference
from coach.core.values import KMH, Corner, Mark
from coach.core.wording import ORDINALS
from coach.core.zones import Zone, zones
from coach.outputs.console import lap_time
from coach.pages.corner_drawing import corner_map, corner_trace
from coach.pages.guide import CornerGuide, GuideView
from coach.pages.marks import mark_lines
from coach.pages.track_map import TrackMap
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


def guide_view(plan: Plan, marks: Sequence[Mark] = ()) -> GuideView:
    """Everything on the page of the guide."""
    reference = plan.reference
    track = TrackMap(reference, plan.corners, marks)
    parts = zones(plan.corners, reference.length_m, reference.closed)
    fastest, slowest = float(reference.speed_mps.max()) * KMH, float(reference.speed_mps.min()) * KMH
    facts = [
        ("length", f"{reference.length_m:.0f} m" if reference.closed else f"{reference.length_m:.0f} m, one way"),
        ("corners", str(len(plan.corners))),
        ("reference lap", lap_time(reference.lap_time_s)),
        ("speeds", f"{slowest:.0f} to {fastest:.0f} km/h"),
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
        [corner_guide(reference, zone) for zone in parts],
    )


def corner_guide(reference: Reference, zone: Zone) -> CornerGuide:
    """One corner in words and pictures."""
    corner = zone.corner
    got = CornerReference(reference, zone).measures
    return CornerGuide(
        corner.name,
        f"{corner.direction}-hander, {corner.turn_in_m:.0f} to {corner.exit_m:.0f} m along the lap",
        [(name, text) for name, text in _facts(corner, got) if text],
        [_caution(corner, i) for i in range(len(corner.cautions))],
        list(corner.words),
        _limits(corner),
        corner_map(reference, zone),
        corner_trace(reference, zone),
    )


def _facts(corner: Corner, got: dict[str, float]) -> list[tuple[str, str]]:
    brake, turn = got["brake_start_m"], corner.turn_in_m
    release, peak = got["brake_release_m"], got["brake_peak"]
    throttle, full = got["throttle_start_m"], got["full_throttle_m"]
    where = brake_words(corner)
    out = [
        ("brake", "" if math.isnan(corner.brake_m) else where or f"{_before(turn - corner.brake_m)}"),
        ("peak brake", f"{peak * 100:.0f} %" if peak == peak and peak > 0 and brake == brake else ""),
        ("off the brake", _place(release, corner) if brake == brake else ""),
        ("gear", ORDINALS[corner.gear - 1] if corner.gear is not None and corner.gear <= len(ORDINALS) else ""),
        ("minimum speed", f"{got['min_speed_mps'] * KMH:.0f} km/h, {_place(got['min_speed_at_m'], corner)}"),
        ("apex", f"{corner.apex or ''} at {corner.apex_m:.0f} m".strip()),
        ("throttle", _place(throttle, corner)),
        ("full throttle", _place(full, corner)),
    ]
    kerbs = (("entry kerb", corner.kerb_entry), ("apex kerb", corner.kerb_apex), ("exit kerb", corner.kerb_exit))
    out += [(name, _KERB[use]) for name, use in kerbs if use is not None]
    return out


def brake_words(corner: Corner) -> str:
    """The braking place by its board, "" without one; never a board that lies beyond the latest brake point."""
    where, board = board_place(corner, "long")
    if not board:
        return ""
    at = board_named(corner, [board])
    if where == "at" and corner.latest_brake_m == corner.latest_brake_m and at > corner.latest_brake_m:
        where = "before"
    return f"{where} {board} ({corner.turn_in_m - corner.brake_m:.0f} m before turn-in)"


def _before(metres: float) -> str:
    if abs(metres) < 1.0:
        return "at turn-in"
    return f"{abs(metres):.0f} m {'before' if metres > 0 else 'after'} turn-in"


def _place(at_m: float, corner: Corner) -> str:
    """A place in words a driver can use: from the turn-in or from the apex."""
    if at_m != at_m:
        return ""
    if at_m < corner.turn_in_m - 5.0:
        return f"{corner.turn_in_m - at_m:.0f} m before turn-in"
    off = at_m - corner.apex_m
    if abs(off) < 5.0:
        return "at the apex"
    return f"{abs(off):.0f} m {'after' if off > 0 else 'before'} the apex"


def _caution(corner: Corner, i: int) -> str:
    c = corner.cautions[i]
    return f"{_CAUTION[c.kind]}: {c.words} ({_place(c.at_m, corner)})"


def _limits(corner: Corner) -> list[str]:
    out = []
    if corner.latest_brake_m == corner.latest_brake_m:
        out.append(f"latest brake point: {_before(corner.turn_in_m - corner.latest_brake_m)}, never later")
    if corner.widest_exit_offset_m == corner.widest_exit_offset_m:
        out.append(f"exit: at most {corner.widest_exit_offset_m:.1f} m outside the line of the reference")
    return out


def sentences(corner: Corner, got: dict[str, float]) -> list[str]:
    """What the sighting lap says before ``corner``, in the order it is said."""
    name = corner.say or corner.name
    out = [f"{name}, {corner.direction}."]
    out += [f"Caution, {c.words}." for c in corner.cautions]
    where = brake_words(corner).partition(" (")[0]
    if corner.brake_m == corner.brake_m:
        metres = corner.turn_in_m - corner.brake_m
        spoken = where or (f"{max(5 * round(metres / 5), 5)} metres before turn-in" if metres >= 5.0 else "at turn-in")
        out.append(f"Brake {spoken}.")
    if corner.gear is not None and corner.gear <= len(ORDINALS):
        out.append(f"{ORDINALS[corner.gear - 1].capitalize()} gear.")
    speed = got["min_speed_mps"] * KMH
    if speed == speed:
        out.append(f"Down to about {max(5 * round(speed / 5), 5)}.")
    if corner.apex is not None:
        out.append(f"{corner.apex.capitalize()} apex.")
    for kerb, use in (("inside", corner.kerb_apex), ("outside", corner.kerb_exit)):
        if use == "avoid":
            out.append(f"Stay off the {kerb} kerb.")
    return [*out, *(f"{_sentence(words)}." for words in corner.words)]


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]


def all_sentences(plan: Plan) -> dict[int, list[str]]:
    """Sentences of the sighting lap by corner number."""
    parts = zones(plan.corners, plan.reference.length_m, plan.reference.closed)
    return {i: sentences(zone.corner, CornerReference(plan.reference, zone).measures) for i, zone in enumerate(parts)}
