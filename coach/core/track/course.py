"""The event places of a lap in driving order, and those a driven stretch passes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from enum import IntEnum

from coach.core.track.reference import Reference
from coach.core.track.timing import approaches, free_m
from coach.core.track.zones import Zone

SETTLE_M = 20.0
"""A pass is measured this far beyond its last place, as smoothing needs both sides [m]."""

BEFORE_END_M = 0.001
"""Any length: it only keeps the order of places."""


class Kind(IntEnum):
    """Kinds of places; this is their order at equal distance.

    END is where full throttle holds again, LEFT where the next straight begins. PIT is not a place of the reference.
    """

    END = 0
    LINE = 1
    MEASURE = 2
    OPEN = 3
    ZONE = 4
    BRAKE = 5
    TURN_IN = 6
    APEX = 7
    LEFT = 8
    PIT = 9


class Course:
    """All places of a lap and a pointer to the next one; ``begin`` sets it, ``pass_by`` advances it."""

    def __init__(self, reference: Reference, zones: tuple[Zone, ...]) -> None:
        self.length_m = reference.length_m
        self.closed = reference.closed
        places: list[tuple[float, Kind, int, int]] = []

        def add(place_m: float, kind: Kind, corner: int) -> None:
            turns = math.floor(place_m / self.length_m) if self.closed else 0
            places.append((place_m - turns * self.length_m, kind, corner, turns))

        self.approaches = approaches(reference, zones)
        add(0.0, Kind.LINE, -1)
        for i, zone in enumerate(zones):
            add(self.approaches[i].open_m, Kind.OPEN, i)
            # a corner cut short by the next one may end at its apex, and the apex comes first
            end = free_m(zone)
            apex = min(zone.apex_m, end - BEFORE_END_M)
            turn_in = min(zone.turn_in_m, apex)
            add(min(zone.start_m, turn_in), Kind.ZONE, i)
            if zone.brake_m == zone.brake_m:
                add(zone.brake_m, Kind.BRAKE, i)
            add(turn_in, Kind.TURN_IN, i)
            add(apex, Kind.APEX, i)
            add(end, Kind.END, i)
            add(zone.end_m, Kind.LEFT, i)
            add(zone.next_start_m + SETTLE_M, Kind.MEASURE, i)
        self.places = sorted(places)
        self._next = 0
        self._lap = 0
        self.next_m = 0.0

    def begin(self, u_m: float) -> None:
        """Set the next place to the first beyond ``u_m``."""
        self._lap = int(u_m // self.length_m) if self.closed else 0
        self._next = 0
        self._aim()
        while self.next_m <= u_m:
            self._step()

    def _aim(self) -> None:
        if self._next >= len(self.places):
            if not self.closed:
                self.next_m = float("inf")
                return
            self._next, self._lap = 0, self._lap + 1
        self.next_m = self.places[self._next][0] + self._lap * self.length_m

    def _step(self) -> None:
        self._next += 1
        self._aim()

    def pass_by(self, front_m: float) -> Iterator[tuple[float, Kind, int, int]]:
        """Yield places up to ``front_m`` in order: (place [m driven], kind, corner, lap in which the corner began)."""
        while self.next_m <= front_m:
            _, kind, corner, turns = self.places[self._next]
            yield self.next_m, kind, corner, self._lap - turns
            self._step()
