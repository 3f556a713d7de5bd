"""Judges each pass by today's condition: removes its effect before the search for faults.

If grip or engine differ from the reference's, gaps and losses refer to the rescaled reference; cues for more speed
rest, and physically impossible causes are removed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import msgspec

from coach.core.diagnose import Diagnosis
from coach.core.diagnose.condition import Condition, Today
from coach.core.diagnose.gearbox import Gearbox
from coach.core.diagnose.rescaled import rescaled
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.diagnose.unused_grip import UnusedGrip, unused_grip_of
from coach.core.diagnose.vetoes import GEARLESS, struck
from coach.core.measure.comparison import compare_to_reference
from coach.core.measure.grip_shares import Use, UsedThere
from coach.core.measure.passes import PARTS, CornerReference, LossPiece, PassRecord
from coach.core.track.car import Car
from coach.core.track.reference import Reference
from coach.core.track.zones import Zone
from coach.core.values import GRIP_FAULTS, Fault, Finding

STEP: Final = 0.02
"""Step of grip and engine factors: less than a driver's own scatter."""
FASTER: Final[frozenset[Fault]] = frozenset(
    {"slow_middle", "throttle_late", "throttle_soft", "coasting", "gear_high", "gear_low", *GRIP_FAULTS}
)
"""Faults that ask for more speed, or follow from a different one: never judged outside the reference's condition."""


@dataclass(frozen=True)
class Judged:
    """A judged pass, its diagnosis, and its condition."""

    driven: PassRecord
    diagnosis: Diagnosis
    today: Today
    use: Use
    """Shares of the reference's use."""
    gear_lost: bool = False
    """Whether the reference drives this corner in a gear that the car has lost."""
    unused: UnusedGrip | None = None
    """The search for unused grip; None unless the reference is a reachable lap."""

    def findings(self, tolerance: ToleranceModel) -> tuple[Finding, ...]:
        """Return root causes, costliest first; none while undecidable."""
        if not self.today.settled:
            return ()
        vetoed = struck(self.driven, self.use, self.today.grip, tolerance, self.gear_lost)
        resting = self.resting

        def ruled_out(fault: Fault, amount: float) -> bool:
            return fault in resting or vetoed(fault, amount)

        found = self.diagnosis.findings(self.driven, tolerance, ruled_out)
        if found or self.unused is None:
            return found
        return self.unused.find(self.driven, tolerance, ruled_out)

    @property
    def resting(self) -> frozenset[Fault]:
        """Faults not judged in this condition: their absence is not a cure."""
        if not self.today.as_reference:
            return FASTER
        return GEARLESS if self.gear_lost else frozenset()

    def unsettled(self) -> Judged:
        """Return the same pass as the start of a change of condition."""
        return replace(self, today=msgspec.structs.replace(self.today, settled=False))


class _Standard:
    """The corners of a reference and their diagnosis, built on first use."""

    def __init__(self, reference: Reference, zones: tuple[Zone, ...], car: Car) -> None:
        self.corners = tuple(CornerReference(reference, zone) for zone in zones)
        self.diagnosis = Diagnosis(self.corners, car)
        self.reference = reference


class Judging:
    """Holds the condition, and the rescaled references of conditions so far."""

    def __init__(
        self, reference: Reference, corners: tuple[CornerReference, ...], diagnosis: Diagnosis, car: Car
    ) -> None:
        self.reference, self.diagnosis, self.car = reference, diagnosis, car
        self.zones = tuple(c.zone for c in corners)
        self._used = tuple(UsedThere(c, car) for c in corners)
        self.condition = Condition(sum(u.limited for u in self._used))
        self.gearbox = Gearbox(len(corners))
        self._standards: dict[tuple[int, int], _Standard] = {}
        self._unused = unused_grip_of(reference, corners)

    def go_on(self, before: Judging, moved: Mapping[int, int]) -> None:
        """Take over the known condition, if the reference is the same."""
        if before.reference is self.reference:
            self.condition = before.condition.move(moved, self.condition.corners)
            self.gearbox = before.gearbox

    def judge(self, driven: PassRecord, *, counts: bool = True) -> Judged:
        """Return judge a complete pass against today's standard; it updates the condition if it ``counts``."""
        base = driven.lap * self.reference.length_m
        use = self._used[driven.corner].use(driven, base)
        today = self.condition.take(driven.corner, use) if counts else self.condition.today
        if counts and driven.trace is not None:
            self.gearbox.take(driven.trace.gear)
        lost = bool(self.gearbox.lost & self._used[driven.corner].gears)
        if not today.settled or today.as_reference:
            return Judged(driven, self.diagnosis, today, use, lost, self._unused)
        standard = self._standard(round((today.grip - 1.0) / STEP), round((today.power - 1.0) / STEP))
        return Judged(_against(driven, standard, base), standard.diagnosis, today, use, lost)

    def _standard(self, grip: int, power: int) -> _Standard:
        known = self._standards.get((grip, power))
        if known is None:
            changed = rescaled(self.reference, self.car, 1.0 + STEP * grip, 1.0 + STEP * power)
            known = self._standards[grip, power] = _Standard(changed, self.zones, self.car)
        return known


def _against(driven: PassRecord, standard: _Standard, base_m: float) -> PassRecord:
    """Return the pass with its gaps and losses against another standard on the same nodes."""
    trace, zone = driven.trace, driven.zone
    assert trace is not None  # a complete pass has one
    theirs = standard.corners[driven.corner]
    gaps = {k: driven.measures[k] - theirs.measures[k] for k in driven.measures if k in theirs.measures}
    for name in ("turn_in_m", "apex_offset_m", "exit_offset_m"):
        gaps[name] = driven.gaps[name]
    gaps |= compare_to_reference(
        trace, theirs.trace, theirs.zone_until(zone.next_start_m - base_m), base_m, theirs.measures
    )
    if standard.reference.inferred_pedals:
        gaps["idle_before_m"] = float("nan")
    places = (zone.start_m, zone.turn_in_m, zone.apex_m, zone.end_m, zone.next_start_m)
    late = [trace.at("t_s", u) - standard.reference.value("t_s", u) for u in places]
    pieces = tuple(
        LossPiece(driven.lap, driven.corner, part, late[i + 1] - late[i], driven.lap) for i, part in enumerate(PARTS)
    )
    return replace(driven, gaps=gaps, pieces=pieces, profile=theirs.stretches.profile(trace, base_m, gaps))
