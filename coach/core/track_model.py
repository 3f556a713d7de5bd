"""Everything derived from a reference and its corners: zones, places, measuring, diagnosis, gradients."""

from __future__ import annotations

import itertools
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from coach.core.diagnose import Diagnosis
from coach.core.diagnose.judging import Judging
from coach.core.measure.passes import PassBuilder
from coach.core.track.car import car_of, slope_of
from coach.core.track.course import Course
from coach.core.track.reference import Reference
from coach.core.track.timing import free_m
from coach.core.track.zones import Zone, zones
from coach.core.values import Corner

KERB_NEAR_M: Final = 10.0
"""A kerb marks a place if the reference does there what is said, this near (common practice, no source)."""
THROTTLE_ON: Final = 0.1


class TrackModel:
    """Rebuilt when the profile changes. ``gradient`` is the mean rise over run of each braking zone, or NaN."""

    def __init__(self, reference: Reference, corners: tuple[Corner, ...]) -> None:
        self.reference = reference
        corners = tuple(_with_true_marks(c, reference) for c in corners)
        self.corners = corners
        self.zones = zones(corners, reference.length_m, reference.closed)
        self.builder = PassBuilder(reference, self.zones)
        car = car_of(reference)
        self.diagnosis = Diagnosis(self.builder.corners, car)
        self.judging = Judging(reference, self.builder.corners, self.diagnosis, car)
        self.course = Course(reference, self.zones)
        self.longest = max(range(len(self.zones)), key=self._straight_s, default=-1)
        slope = slope_of(reference)
        self.gradient = [_mean_slope(slope, reference, z.quiet_m, z.apex_m) for z in self.zones]

    def _straight_s(self, corner: int) -> float:
        """Return the reference's time from a corner's exit to the silence before the next one [s]."""
        following = (corner + 1) % len(self.zones)
        if following == 0 and not self.reference.closed:
            return 0.0
        quiet_m = self.zones[following].quiet_m + (self.reference.length_m if following == 0 else 0.0)
        return self.reference.value("t_s", quiet_m) - self.reference.value("t_s", free_m(self.zones[corner]))

    def lap(self, u_m: float) -> int:
        """Return the lap of a driven distance; always the only one on an open course."""
        return int(u_m // self.reference.length_m) if self.reference.closed else 0

    def place(self, u_m: float) -> float:
        """Return the place along the reference of a driven distance [m]."""
        return u_m - self.lap(u_m) * self.reference.length_m

    def next_corner(self, u_m: float) -> tuple[Zone | None, float]:
        """Return the corner with the next apex, and the distance to its brake point [m], 0 once passed."""
        if not self.zones:
            return None, float("nan")
        s = self.place(u_m)
        for zone in self.zones:
            if s < zone.apex_m:
                return zone, max(zone.quiet_m - s, 0.0)
        first = self.zones[0]
        if not self.reference.closed:
            return None, float("nan")
        return first, max(first.quiet_m + self.reference.length_m - s, 0.0)


def _mean_slope(slope: NDArray[np.float64], reference: Reference, low_m: float, high_m: float) -> float:
    if not np.isfinite(reference.z_m).all():
        return float("nan")
    first = int(low_m / reference.step_m)
    nodes = np.arange(first, max(int(high_m / reference.step_m), first + 1))
    return float(slope[np.mod(nodes, len(slope))].mean())


def _with_true_marks(corner: Corner, reference: Reference) -> Corner:
    """Return the corner with only those measured kerbs that mark what the reference does there: its turn-in at the
    begin, the throttle at the apex kerb's end, and the way out beside the exit kerb.
    """
    untrue: dict[str, tuple[float, ...]] = {}
    if corner.kerb_entry_m and abs(corner.kerb_entry_m[0] - corner.turn_in_m) > KERB_NEAR_M:
        untrue["kerb_entry_m"] = ()
    if corner.kerb_apex_m and not _opens_near(corner.kerb_apex_m[1], reference):
        untrue["kerb_apex_m"] = ()
    if corner.kerb_exit_m:
        begin, end = corner.kerb_exit_m
        if not begin - KERB_NEAR_M <= corner.exit_m <= end + KERB_NEAR_M:
            untrue["kerb_exit_m"] = ()
    return msgspec.structs.replace(corner, **untrue) if untrue else corner


def _opens_near(place_m: float, reference: Reference) -> bool:
    """Return whether the reference opens the throttle within KERB_NEAR_M of a place."""
    places = np.arange(place_m - KERB_NEAR_M, place_m + KERB_NEAR_M, reference.step_m)
    opens = [reference.value("throttle", place) > THROTTLE_ON for place in places.tolist()]
    return any(after and not before for before, after in itertools.pairwise(opens))
