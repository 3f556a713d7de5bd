"""Times to places, and where speech must end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from coach.core.track.reference import Reference
from coach.core.track.zones import LEAST_EXIT_M, Zone

CAUTIOUS: Final = 0.97
"""Share of the predicted time to rely on: a driver may be a little faster than the reference."""
STARTS_AFTER_S: Final = 0.06
"""From the decision to the first sound: output buffer and process switch, above the measured values."""
LONGEST_LEAD_S: Final = 8.0
"""A spoken message works best 4-8 s ahead (Wan, Wu & Zhang 2016, J Safety Research 58:89-98)."""
SHORT_LEAD_S: Final = 5.0
"""A familiar prompt may come later than a new message; about 2 s ahead suffices (our inference)."""
MARGIN_AHEAD_S: Final = 2.5
"""Candidates exist this long before the longest lead, to allow for margin, early braking and a faster pace."""
ROOM_S: Final = 3.0
"""Least time between two corners for a new message: 1.25 s margin, about a second of speech, pauses."""
REACH_S: Final = 12.0
"""The most a cue precedes its corner, plus its own lead (common practice, no source)."""
SURE_BY_M: Final = 50.0
"""No speech before this on an open course: by here the location is sure, even from a standing start."""
UNKNOWN_BRAKE_M: Final = 35.0
"""Margin before the profile's brake point while the driver's own is unknown."""
OWN_BRAKE_M: Final = 6.0
"""Margin before the earliest of the driver's last brake points."""


def time_to(reference: Reference, u_m: float, speed_mps: float, place_m: float) -> float:
    """Return the seconds from ``u_m`` to ``place_m`` at the reference's pace, less if the car is faster here."""
    planned = reference.value("t_s", place_m) - reference.value("t_s", u_m)
    usual = reference.value("speed_mps", u_m)
    pace = min(usual / speed_mps, 1.0) if speed_mps > 1.0 else 1.0
    return planned * max(pace, 0.7) * CAUTIOUS


@dataclass(frozen=True)
class Approach:
    """Where the cues of a corner are spoken: from ``open_m`` on (in its own lap, perhaps before the line).

    ``anchor`` is the corner before which they must end: the corner itself, or the first of a group too close together
    for speech in between; then the text must name the corner (``named``).
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
    # the first corner of an open course has the stretch from the start
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
    """Return where speech may resume after a corner [m]: where full throttle holds, before the next straight."""
    return min(max(zone.exit_m, zone.apex_m + LEAST_EXIT_M), zone.end_m)


def open_place(reference: Reference, zone: Zone, previous_end_m: float) -> float:
    """Return where cues for ``zone`` may begin: 8 s before its silence, not before the previous corner ends."""
    target = reference.value("t_s", zone.quiet_m) - LONGEST_LEAD_S - MARGIN_AHEAD_S
    place = zone.quiet_m
    while place > previous_end_m and reference.value("t_s", place) > target:
        place -= 10.0
    return max(place, previous_end_m)
