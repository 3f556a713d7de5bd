"""From the gaps of a pass to its root causes: what was done differently that cost time, first causes only.

Two ways to the cause are weighed against each other. Rules name the causes of a pass by its measures; each fault
simulated on the corner's own reference is compared with all of the pass (``weighing``). Rules know how drivers make a
fault in more ways than are simulated; the comparison knows what else the pass shows, and how the driver scatters.

A pass that lost no more than usual over corner and straight has no fault, however differently it was driven.
Otherwise causes are looked for in the order of the corner, and each is freed of what an earlier one explains: braking
that starts early because it is soft is soft braking; a low speed that comes of a tight line is the line; a low exit
speed that comes of a late throttle is a late throttle. The fewest causes that explain the loss are kept.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from coach.core.diagnose.case import COST_S, NAN, Case
from coach.core.diagnose.counterfactual import Counterfactual
from coach.core.diagnose.entry import entry
from coach.core.diagnose.line import line
from coach.core.diagnose.pricing import priced
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.diagnose.way_out import middle, way_out
from coach.core.diagnose.weighing import Weighing
from coach.core.measure.passes import CornerReference, Part, PassRecord
from coach.core.track.car import Car
from coach.core.values import Finding

__all__ = ["COST_S", "Diagnosis"]

OUT_LAP: Final = 0.2
"""A car that comes this much slower is on its out lap, or behind another: nothing is learned from the corner."""


MUCH_S: Final = 0.08
MUCH: Final = 4.0
"""Of a pass that lost more than this on the way in, and than so many deviations, the way in is looked at closer."""
WAY_IN: Final[tuple[Part, ...]] = ("entry", "middle")
CLOSER: Final = 0.5
"""Share of a band beyond which a gap may be the cause then, if it alone costs about what was lost."""
ENOUGH: Final = 0.5
HABIT: Final = 0.5
"""Share of what this pass lost that he steadily loses there: else it is scatter, not a habit."""


def _looked_closer(case: Case) -> tuple[Finding, ...]:
    """What is left of a habit of the way in, when a lot was lost there and nothing lies outside the bands.

    The rest of a habit that is being mended lies inside, and in each pass, so that it has become usual. Who comes
    slower out of the corner before may brake where he always does and wait: that is no habit of this corner.
    """
    lost = case.excess_in(WAY_IN)
    if case.arrival_s > 0.0 or lost < max(MUCH_S, MUCH * case.scatter_in(WAY_IN)):
        return ()
    if case.tolerance.steady(case.driven.corner, tuple(f"loss_{part}_s" for part in WAY_IN)) < HABIT * lost:
        return ()
    usual = {name: gap for name, gap in case.usual.items() if name.startswith("loss")}
    closer = replace(case, causes=[], narrow=CLOSER, usual=usual)
    entry(closer)
    explained = sum(c.alone_s for c in closer.causes)
    return priced(closer) if ENOUGH * lost <= explained <= lost / ENOUGH else ()


class Diagnosis:
    """Finds causes for passes over one reference."""

    def __init__(self, references: tuple[CornerReference, ...], car: Car) -> None:
        self.references = references
        self.car = car
        self.weighing = Weighing(references, car)
        self.what_ifs = tuple(Counterfactual(r.trace, r.zone, r.measures, car) for r in references)

    def findings(self, driven: PassRecord, tolerance: ToleranceModel, use: float = NAN) -> tuple[Finding, ...]:
        """Root causes of a whole pass, costliest first; empty when nothing was lost.

        ``use`` is the share of the grip there is today that was used at the slowest place, NaN if not known.
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
            tolerance.usual(driven.corner),
            reference.slope,
            self._carried(driven),
            use,
        )
        if -driven.gaps.get("arrival_mps", 0.0) > OUT_LAP * driven.measures["turn_in_speed_mps"]:
            return ()
        for look in (entry, line, middle, way_out):
            look(case)
        told = priced(case) or _looked_closer(case)
        return self.weighing.weigh(driven, tolerance, use, told)

    def _carried(self, driven: PassRecord) -> float:
        following = self.what_ifs[(driven.corner + 1) % len(self.what_ifs)]
        reference = self.references[driven.corner]
        if driven.trace is None or driven.zone.straight_m < reference.zone.straight_m - 1.0:
            return 0.0
        end = driven.zone.next_start_m
        lack = float(reference.trace.at("speed_mps", reference.zone.next_start_m) - driven.trace.at("speed_mps", end))
        return following.arriving_slower(lack) if lack > 0.2 else 0.0
