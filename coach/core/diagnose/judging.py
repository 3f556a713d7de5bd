"""Each pass judged by what today allows: the condition is taken off before a fault is looked for.

Where grip or engine are not the reference's, gaps and losses are taken against the reference as it would be driven
today; what asks for more speed rests, and what physics rules out is struck off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import msgspec

from coach.core.diagnose import Diagnosis
from coach.core.diagnose.condition import Condition, Today
from coach.core.diagnose.rescaled import rescaled
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.measure.comparison import contrast
from coach.core.measure.grip_shares import UsedThere
from coach.core.measure.passes import PARTS, CornerReference, PassRecord, Piece
from coach.core.track.car import Car
from coach.core.track.reference import Reference
from coach.core.track.zones import Zone
from coach.core.values import Fault, Finding

STEP: Final = 0.02
"""Grip and engine count in steps of this: one is less than a driver's own scatter."""
FASTER: Final[frozenset[Fault]] = frozenset(
    {"slow_middle", "throttle_late", "throttle_soft", "coasting", "gear_high", "gear_low"}
)
"""What asks for more speed, or comes of another one: never judged while the condition is not the reference's."""


@dataclass(frozen=True)
class Judged:
    """A pass as it is judged, by which diagnosis, and in which condition."""

    driven: PassRecord
    diagnosis: Diagnosis
    today: Today
    use: float = float("nan")
    """Share of the grip that is there today which the pass used."""

    def findings(self, tolerance: ToleranceModel) -> tuple[Finding, ...]:
        """Root causes, costliest first; none while nobody can tell."""
        if not self.today.settled:
            return ()
        found = self.diagnosis.findings(self.driven, tolerance, self.use)
        return tuple(f for f in found if f.fault not in self.resting)

    @property
    def resting(self) -> frozenset[Fault]:
        """What is not judged in this condition: that it is not found does not cure it."""
        return frozenset() if self.today.usual else FASTER

    def unsettled(self) -> Judged:
        """The same pass, now that a change is known to have begun with it."""
        return replace(self, today=msgspec.structs.replace(self.today, settled=False))


class _Standard:
    """The corners of a reference, and what finds causes there; made when a pass first needs them."""

    def __init__(self, reference: Reference, zones: tuple[Zone, ...], car: Car) -> None:
        self.corners = tuple(CornerReference(reference, zone) for zone in zones)
        self.diagnosis = Diagnosis(self.corners, car)
        self.reference = reference


class Judging:
    """Keeps the condition, and the references as they would be driven in those that were met."""

    def __init__(
        self, reference: Reference, corners: tuple[CornerReference, ...], diagnosis: Diagnosis, car: Car
    ) -> None:
        self.reference, self.diagnosis, self.car = reference, diagnosis, car
        self.zones = tuple(c.zone for c in corners)
        self._used = tuple(UsedThere(c, car) for c in corners)
        self.condition = Condition(sum(u.limited for u in self._used))
        self._standards: dict[tuple[int, int], _Standard] = {}

    def go_on(self, before: Judging, moved: Mapping[int, int]) -> None:
        """Take over what is known of the condition, if the reference is the same."""
        if before.reference is self.reference:
            self.condition = before.condition.move(moved, self.condition.corners)

    def judge(self, driven: PassRecord, *, counts: bool = True) -> Judged:
        """A whole pass against today's standard; it tells of the condition itself if it ``counts``."""
        base = driven.lap * self.reference.length_m
        use = self._used[driven.corner].use(driven, base)
        today = self.condition.take(driven.corner, use) if counts else self.condition.today
        share = use.slowest / today.grip
        if not today.settled or today.usual:
            return Judged(driven, self.diagnosis, today, share)
        standard = self._standard(round((today.grip - 1.0) / STEP), round((today.power - 1.0) / STEP))
        return Judged(_against(driven, standard, base), standard.diagnosis, today, share)

    def _standard(self, grip: int, power: int) -> _Standard:
        known = self._standards.get((grip, power))
        if known is None:
            changed = rescaled(self.reference, self.car, 1.0 + STEP * grip, 1.0 + STEP * power)
            known = self._standards[grip, power] = _Standard(changed, self.zones, self.car)
        return known


def _against(driven: PassRecord, standard: _Standard, base_m: float) -> PassRecord:
    """The pass with its gaps and losses against another standard on the same nodes."""
    trace, zone = driven.trace, driven.zone
    assert trace is not None  # a whole pass has one
    theirs = standard.corners[driven.corner]
    gaps = {k: driven.measures[k] - theirs.measures[k] for k in driven.measures if k in theirs.measures}
    for name in ("turn_in_m", "apex_offset_m", "exit_offset_m"):
        gaps[name] = driven.gaps[name]
    gaps |= contrast(trace, theirs.trace, theirs.zone_until(zone.next_start_m - base_m), base_m, theirs.measures)
    if standard.reference.inferred_pedals:
        gaps["idle_before_m"] = float("nan")
    places = (zone.start_m, zone.turn_in_m, zone.apex_m, zone.end_m, zone.next_start_m)
    late = [trace.at("t_s", u) - standard.reference.value("t_s", u) for u in places]
    pieces = tuple(
        Piece(driven.lap, driven.corner, part, late[i + 1] - late[i], driven.lap) for i, part in enumerate(PARTS)
    )
    return replace(driven, gaps=gaps, pieces=pieces, profile=theirs.stretches.gaps(trace, base_m))
