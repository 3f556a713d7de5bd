"""How long until a place is reached, and where speech must be over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from coach.core.track.reference import Reference
from coach.core.track.zones import LEAST_EXIT_M, Zone

CAUTIOUS: Final = 0.97
"""Share of the foretold time that is relied upon: a driver may gain a little on the reference."""
STARTS_AFTER_S: Final = 0.06
"""From the decision to the first sound: output buffer and process switch, on the safe side of what is measured."""
LONGEST_LEAD_S: Final = 8.0
"""A spoken message works best 4-8 s ahead (Wan, Wu & Zhang 2016, J Safety Research 58:89-98)."""
SHORT_LEAD_S: Final = 5.0
"""A rehearsed prompt may come later than a new message; about 2 s ahead is enough (our inference)."""
MARGIN_AHEAD_S: Final = 2.5
"""Candidates are there this much before the longest lead: margin, a driver who brakes early, a pace that is faster."""
ROOM_S: Final = 3.0
"""Less than this between two corners is no room for a new message: 1.25 s margin, a second or so of speech, pauses."""
REACH_S: Final = 12.0
"""A cue is never said farther ahead of its corner than this, plus its own lead (common practice, no source)."""
SURE_BY_M: Final = 50.0
"""On an open course nothing is said before this: by here the car's place is sure, also from a standing start."""
UNKNOWN_BRAKE_M: Final = 35.0
"""How much before the profile's brake point a driver may brake whose own is not known yet."""
OWN_BRAKE_M: Final = 6.0
"""How much before the earliest of his last brake points a driver may brake the next time."""


def time_to(reference: Reference, u_m: float, speed_mps: float, place_m: float) -> float:
    """Return the seconds from ``u_m`` to ``place_m`` at the reference's pace, less if the car is faster
    than that here.
    """
    planned = reference.value("t_s", place_m) - reference.value("t_s", u_m)
    usual = reference.value("speed_mps", u_m)
    pace = min(usual / speed_mps, 1.0) if speed_mps > 1.0 else 1.0
    return planned * max(pace, 0.7) * CAUTIOUS


@dataclass(frozen=True)
class Approach:
    """Where the cues of a corner are said: from ``open_m`` on (as metres before or along its own lap).

    ``anchor`` is the corner before which they must be over: the corner itself, or the first of a group of corners
    that follow one another too closely to speak in between; then the text has to name the corner (``named``).
    """

    open_m: float
    anchor: int
    named: bool


def approaches(reference: Reference, zones: tuple[Zone, ...]) -> tuple[Approach, ...]:
    """Return the approach of each corner: the nearest place before it with ROOM_S to speak, at most REACH_S ahead.

    Where there is none, the place with the most room.
    """

    def at(place_m: float) -> float:
        return reference.value("t_s", place_m)

    n = len(zones)
    closed = reference.closed
    quiet = [at(z.quiet_m) for z in zones]
    # the first corner of an open course has the way from the start
    end = [at(free_m(zones[i - 1]) - (reference.length_m if i == 0 else 0.0)) if i or closed else 0.0 for i in range(n)]
    room = [q - e for q, e in zip(quiet, end, strict=True)]
    out = []
    for i in range(n):
        chosen = i
        for j in range(i, (i - n if closed else -1), -1):
            lap_s = reference.lap_time_s if j < 0 else 0.0
            if room[chosen] >= ROOM_S or quiet[i] - (quiet[j] - lap_s) > REACH_S:
                break
            if room[j] > room[chosen]:
                chosen = j
        shift = reference.length_m if chosen < 0 else 0.0
        zone = zones[chosen]
        after = free_m(zones[chosen - 1]) - (reference.length_m if chosen % n == 0 else 0.0)
        if chosen == 0 and not closed:
            after = 0.0
        place = open_place(reference, zone, after) - shift
        out.append(Approach(place if closed else max(place, SURE_BY_M), chosen % n, chosen != i))
    return tuple(out)


def free_m(zone: Zone) -> float:
    """Return where speech may begin again after a corner [m]: where full throttle can be held, before the next
    straight.
    """
    return min(max(zone.exit_m, zone.apex_m + LEAST_EXIT_M), zone.end_m)


def open_place(reference: Reference, zone: Zone, previous_end_m: float) -> float:
    """Return where cues for ``zone`` may begin: 8 s of driving before it gets quiet, not before the corner before is
    over.
    """
    target = reference.value("t_s", zone.quiet_m) - LONGEST_LEAD_S - MARGIN_AHEAD_S
    place = zone.quiet_m
    while place > previous_end_m and reference.value("t_s", place) > target:
        place -= 10.0
    return max(place, previous_end_m)
