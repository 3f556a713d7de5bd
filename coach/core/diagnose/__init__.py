"""Diagnosis: finds the root causes of lost time in the gaps of a pass.

Two ways to the cause are weighed against each other. Rules name the causes of a pass by its measures; each fault
simulated on the corner's own reference is compared with the whole pass (``weighing``). The rules know more ways to make
a fault than are simulated; the comparison knows what else the pass shows, and how the driver scatters.

A pass that loses no more than the baseline over corner and straight has no fault, however different. Otherwise the
rules follow the order of the corner and remove from each cause what an earlier one explains: early braking because of
soft braking is soft braking; a low speed from a tight line is the line; a low exit speed from a late throttle is a late
throttle. They keep the fewest causes that explain the loss.
"""

from __future__ import annotations

from typing import Final

from coach.core.diagnose.case import COST_S, Case
from coach.core.diagnose.counterfactual import Counterfactual
from coach.core.diagnose.entry import find_entry_causes
from coach.core.diagnose.exit_phase import find_exit_causes, find_mid_corner_causes
from coach.core.diagnose.line import find_line_causes
from coach.core.diagnose.pricing import allocate_cost
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.diagnose.vetoes import Veto, nothing_ruled_out
from coach.core.diagnose.weighing import Weighing
from coach.core.measure.passes import CornerReference, PassRecord
from coach.core.track.car import Car
from coach.core.values import Finding

__all__ = ["COST_S", "Diagnosis"]

SLOW_PASS: Final = 0.3
"""A car that arrives slower than the reference by this share is on its out-lap, or behind another: learn nothing from
the corner.
"""


class Diagnosis:
    """Finds causes for passes over one reference."""

    def __init__(self, references: tuple[CornerReference, ...], car: Car) -> None:
        self.references = references
        self.car = car
        self.weighing = Weighing(references, car)
        self.what_ifs = tuple(Counterfactual(r.trace, r.zone, r.measures, car) for r in references)

    def findings(
        self, driven: PassRecord, tolerance: ToleranceModel, ruled_out: Veto = nothing_ruled_out
    ) -> tuple[Finding, ...]:
        """Return the root causes of a complete pass, costliest first; empty without a loss.

        ``ruled_out`` are faults that cannot be the cause.
        """
        if driven.trace is None or driven.total_s < 0.5 * COST_S:
            return ()
        reference = self.references[driven.corner]
        case = Case(
            driven,
            reference,
            self.what_ifs[driven.corner],
            tolerance,
            self.car,
            tolerance.baseline(driven.corner),
            self._carried(driven),
        )
        # not of the speed at turn-in, which a habit of this corner lowers
        arrives_mps = float(reference.trace.at("speed_mps", reference.zone.start_m))
        if -driven.gaps.get("arrival_mps", 0.0) > SLOW_PASS * arrives_mps:
            return ()
        for look in (find_entry_causes, find_line_causes, find_mid_corner_causes, find_exit_causes):
            look(case)
        told = allocate_cost(case)
        return self.weighing.weigh(driven, tolerance, told, ruled_out)

    def _carried(self, driven: PassRecord) -> float:
        following = self.what_ifs[(driven.corner + 1) % len(self.what_ifs)]
        reference = self.references[driven.corner]
        if driven.trace is None or driven.zone.straight_m < reference.zone.straight_m - 1.0:
            return 0.0
        end = driven.zone.next_start_m
        lack = float(reference.trace.at("speed_mps", reference.zone.next_start_m) - driven.trace.at("speed_mps", end))
        return following.arriving_slower(lack) if lack > 0.2 else 0.0
