"""The lap cut into corners and the straights after them, with no gap and no overlap.

A corner's zone begins LEAD_M before its brake point (or turn-in), to include early brake points, and ends at ``end_m``;
the straight after it reaches to the next corner's zone. Entry is up to turn-in, middle up to the apex, exit up to the
end.
"""

from __future__ import annotations

from collections.abc import Sequence
from operator import attrgetter
from typing import Final

import msgspec

from coach.core.values import Corner

LEAD_M: Final = 60.0
LEAST_EXIT_M: Final = 0.1
"""A corner ends at least this far beyond its apex, so that the apex always comes first; a profile rounds to 0.1 m."""


class Zone(msgspec.Struct, frozen=True):
    """Places of one corner [m along the reference]; from ``start_m`` they increase, across the seam if necessary."""

    corner: Corner
    start_m: float
    brake_m: float
    turn_in_m: float
    apex_m: float
    exit_m: float
    end_m: float
    next_start_m: float
    quiet_m: float
    """Latest end of speech: the brake point, or the turn-in of a corner without braking."""

    def shifted(self, by_m: float) -> Zone:
        """Return the zone shifted by ``by_m``, into a later lap."""
        return Zone(self.corner, *[place + by_m for place in _places(self)])

    @property
    def apexes_m(self) -> tuple[float, ...]:
        """All apexes in driving order [m]."""
        if not self.corner.more_apexes_m:
            return (self.apex_m,)
        return tuple(place + self.apex_m - self.corner.apex_m for place in self.corner.apexes_m)

    @property
    def straight_m(self) -> float:
        """Length of the straight after the corner [m]."""
        return self.next_start_m - self.end_m


_places: Final = attrgetter("start_m", "brake_m", "turn_in_m", "apex_m", "exit_m", "end_m", "next_start_m", "quiet_m")


def zones(corners: Sequence[Corner], length_m: float, closed: bool) -> tuple[Zone, ...]:
    """Return the zones of ``corners`` (in driving order) on a lap of ``length_m``; empty without corners."""
    out: list[Zone] = []
    for i, corner in enumerate(corners):
        before = corners[i - 1]
        earliest = before.end_m - (length_m if i == 0 else 0.0)
        if i == 0 and not closed:
            earliest = 0.0
        out.append(_zone(corner, max(_first(corner) - LEAD_M, min(earliest, _first(corner)))))
    linked: list[Zone] = []
    for i, zone in enumerate(out):
        if i + 1 < len(out):
            following = out[i + 1].start_m
        else:
            following = out[0].start_m + length_m if closed else length_m
        linked.append(msgspec.structs.replace(zone, next_start_m=max(following, zone.end_m)))
    return tuple(linked)


def _first(corner: Corner) -> float:
    # braking may begin after turn-in in a tightening corner
    return min(corner.brake_m, corner.turn_in_m) if corner.brake_m == corner.brake_m else corner.turn_in_m


def _zone(corner: Corner, start_m: float) -> Zone:
    return Zone(
        corner,
        start_m,
        corner.brake_m,
        corner.turn_in_m,
        corner.apex_m,
        corner.exit_m,
        corner.end_m,
        corner.end_m,
        _first(corner),
    )
