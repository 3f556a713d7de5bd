"""The causes that rules have named, weighed against every simulated fault by how well it explains the whole pass.

A fault that rules name starts ahead, one that they do not starts behind: the two only differ where the pass is clear.
What neither the comparison nor the loss bears out is not reported.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from msgspec.structs import replace

from coach.core.diagnose.advice import later_by
from coach.core.diagnose.belief import MODEL
from coach.core.diagnose.case import COST_S, worst_apex
from coach.core.diagnose.explain import OUTSIDE, Explainer, Explanation
from coach.core.diagnose.hypotheses import SIMULATED, Hypothesis
from coach.core.diagnose.pricing import MAX_COST_SHARE
from coach.core.diagnose.scatter import Scatter
from coach.core.diagnose.signatures import Signatures
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.diagnose.vetoes import Veto
from coach.core.measure.passes import PARTS, CornerReference, PassRecord
from coach.core.measure.profile_gaps import place_of
from coach.core.track.car import Car
from coach.core.values import Fault, Finding

TOLD: Final = 3.0
"""Evidence by which a fault that rules name is ahead, and by which each is behind where they name none."""
SURE: Final = 0.5
"""A fault is reported if it is more probable than all else."""
STANDS: Final = 1.5
"""A fault that rules do not name must have cost this many deviations of the loss."""


class Weighing:
    """Compares passes over one reference with simulated faults; a corner's are simulated when first needed."""

    def __init__(self, references: tuple[CornerReference, ...], car: Car) -> None:
        self.references = references
        self.car = car
        self._signs: dict[int, Signatures] = {}
        self._explainers: dict[int, tuple[Scatter, Explainer]] = {}

    def weigh(
        self, driven: PassRecord, tolerance: ToleranceModel, told: tuple[Finding, ...], ruled_out: Veto
    ) -> tuple[Finding, ...]:
        """Return the findings of a pass, costliest first, ``told`` being those of the rules, without any that is
        ``ruled_out``.
        """
        possible = tuple(f for f in told if not ruled_out(f.fault, f.amount))
        # until the driver's scatter is known, and where the rules tell one apex from another, they stand
        if driven.profile is None or not tolerance.scatter.known or any(f.apex for f in told):
            return possible
        corner = driven.corner
        explainer = self._explainer(corner, tolerance.scatter)
        if not explainer.can_tell(driven.profile):
            return possible
        usual, scatter_s = tolerance.baseline(corner), tolerance.sigma(corner, "loss_s")
        excess = sum(driven.loss(part) - usual.get(f"loss_{part}_s", 0.0) for part in PARTS)
        slower = -driven.gaps.get("arrival_mps", 0.0)
        prior = {f.fault: TOLD for f in possible} if possible else ({} if told else dict.fromkeys(SIMULATED, -TOLD))
        if prior.get("brake_late") == TOLD:
            # the way out begins where the braking was late: a path outside follows from it
            prior |= dict.fromkeys(OUTSIDE, -math.inf)

        def vetoed(fault: Fault, amount: float) -> bool:
            # what the rules name has passed with their amount
            return not any(f.fault == fault for f in possible) and ruled_out(fault, amount)

        best = explainer.explain(driven.profile, excess, scatter_s, slower, vetoed, prior)
        if best is None or best.probability < SURE:
            return ()
        named = explainer.signs.rows[best.row][0]
        if possible and named.fault == possible[0].fault:
            return (replace(possible[0], probability=best.probability), *possible[1:])
        if named.sign:
            # what a slower arrival does to its measure is not the fault
            follows = explainer.signs.arriving(max(slower, 0.0))[0][place_of(named.shown[0])]
            own = _measured(driven, named, usual) - named.sign * float(follows)
            if own <= tolerance.width(corner, named.shown[0]):
                return possible
        return self._found(driven, explainer, best, excess, scatter_s, usual)

    def _explainer(self, corner: int, scatter: Scatter) -> Explainer:
        signs = self._signs.get(corner)
        if signs is None:
            signs = self._signs[corner] = Signatures(self.references[corner], self.car)
        known = self._explainers.get(corner)
        if known is None or known[0] is not scatter:
            known = self._explainers[corner] = scatter, Explainer(signs, scatter, corner)
        return known[1]

    def _found(
        self,
        driven: PassRecord,
        explainer: Explainer,
        best: Explanation,
        excess: float,
        scatter_s: float,
        usual: Mapping[str, float],
    ) -> tuple[Finding, ...]:
        # two estimates of one cost, by their errors
        off, scatter = (MODEL * best.cost_s) ** 2, scatter_s**2
        lost = off / (off + scatter)
        cost = min(lost * excess + (1.0 - lost) * best.cost_s, MAX_COST_SHARE * driven.total_s)
        if cost < max(COST_S, STANDS * scatter_s):
            return ()
        hypothesis, simulated = explainer.signs.rows[best.row]
        amount = _measured(driven, hypothesis, usual)
        if not amount > 0.0:
            amount = best.share * simulated
        if hypothesis.unit == "gear":
            amount = float(max(round(amount), 1))
        evidence = _evidence(driven, hypothesis.shown)
        if hypothesis.fault == "brake_early":
            evidence |= later_by(driven, self.references[driven.corner], self.car, amount)
        apex = worst_apex(hypothesis.fault, driven, usual)
        return (Finding(hypothesis.fault, amount, hypothesis.unit, cost, evidence, best.probability, apex),)


def _measured(driven: PassRecord, hypothesis: Hypothesis, usual: Mapping[str, float]) -> float:
    """Return the amount of a fault by its own measure; NaN or 0 where it has none."""
    name = hypothesis.shown[0]
    return hypothesis.sign * (driven.gaps.get(name, math.nan) - usual.get(name, 0.0))


def _evidence(driven: PassRecord, names: tuple[str, ...]) -> dict[str, float]:
    """Return the named measures with their gaps, where there are any."""
    pairs = {n: driven.measures.get(n) for n in names} | {f"{n}_gap": driven.gaps.get(n) for n in names}
    return {name: value for name, value in pairs.items() if value is not None and value == value}
