"""From the gaps of a pass to its root cause: what was done differently that cost time.

Faults are rows (``hypotheses``), simulated on each corner's own reference (``forward``, ``signatures``) and compared with
the pass under the driver's own scatter (``scatter``, ``explain``). What no fault explains is not reported.
"""

from __future__ import annotations

from typing import Final

from coach.core.diagnose.advice import later_by
from coach.core.diagnose.explain import Explainer, Explanation
from coach.core.diagnose.scatter import Scatter
from coach.core.diagnose.signatures import Signatures
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.measure.passes import PARTS, CornerReference, PassRecord
from coach.core.track.car import Car
from coach.core.values import Fault, Finding

COST_S: Final = 0.025
"""Less than this is not worth a word: about the scatter of one corner of a practised driver (common practice)."""
OUT_LAP: Final = 0.2
"""A car that comes this much slower is on its out lap, or behind another: nothing is learned from the corner."""
LIMIT: Final = 0.97
"""Who uses this share of the grip that is there has none left (common practice, no source)."""
SURE: Final = 0.5
"""A fault is reported if it is more probable than all else."""
CLEAR: Final = 10.0
"""With less evidence than this the loss must stand out as well: by STANDS of its deviations."""
STANDS: Final = 2.0
WORTH: Final = 0.2
"""The pass must have lost at least this share of what the fault should have cost."""
LOST: Final = 0.7
"""Weight of the measured loss in a fault's cost; the rest is the simulated one's."""
MOST: Final = 1.1
"""Costs never add up to more than this share of what the pass lost."""
NAN: Final = float("nan")


class Diagnosis:
    """Finds causes for passes over one reference."""

    def __init__(self, references: tuple[CornerReference, ...], car: Car) -> None:
        self.references = references
        self.car = car
        self._signs: dict[int, Signatures] = {}
        self._explainers: dict[int, tuple[Scatter, Explainer]] = {}

    def _explainer(self, corner: int, scatter: Scatter) -> Explainer:
        signs = self._signs.get(corner)
        if signs is None:
            signs = self._signs[corner] = Signatures(self.references[corner], self.car)
        known = self._explainers.get(corner)
        if known is None or known[0] is not scatter:
            known = self._explainers[corner] = scatter, Explainer(signs, scatter, corner)
        return known[1]

    def findings(self, driven: PassRecord, tolerance: ToleranceModel, use: float = NAN) -> tuple[Finding, ...]:
        """Root causes of a whole pass, costliest first; empty when nothing was lost.

        ``use`` is the share of the grip there is today that was used at the slowest place, NaN if not known.
        """
        if driven.profile is None or driven.total_s < 0.5 * COST_S:
            return ()
        slower = -driven.gaps.get("arrival_mps", 0.0)
        if slower > OUT_LAP * driven.measures["turn_in_speed_mps"]:
            return ()
        corner = driven.corner
        usual, scatter_s = tolerance.usual(corner), tolerance.sigma(corner, "loss_s")
        excess = sum(driven.loss(part) - usual.get(f"loss_{part}_s", 0.0) for part in PARTS)
        explainer = self._explainer(corner, tolerance.scatter)
        at_limit: frozenset[Fault] = frozenset({"slow_middle"}) if use >= LIMIT else frozenset()
        best = explainer.explain(driven.profile, excess, scatter_s, slower, at_limit)
        if best is None or best.probability < SURE:
            return ()
        return self._found(driven, explainer, best, excess, scatter_s)

    def _found(
        self, driven: PassRecord, explainer: Explainer, best: Explanation, excess: float, scatter_s: float
    ) -> tuple[Finding, ...]:
        cost = min(LOST * excess + (1.0 - LOST) * best.cost_s, MOST * driven.total_s)
        if cost < COST_S or excess < WORTH * best.cost_s:
            return ()
        if best.evidence < CLEAR and cost < STANDS * scatter_s:
            return ()
        hypothesis, simulated = explainer.signs.rows[best.row]
        amount = best.share * simulated
        if hypothesis.unit == "gear":
            amount = float(max(round(amount), 1))
        evidence = _evidence(driven, hypothesis.shown)
        if hypothesis.fault == "brake_early":
            evidence |= later_by(driven, self.references[driven.corner], self.car, amount)
        return (Finding(hypothesis.fault, amount, hypothesis.unit, cost, evidence, best.probability),)


def _evidence(driven: PassRecord, names: tuple[str, ...]) -> dict[str, float]:
    """The named measures with their gaps."""
    out = {}
    for name in names:
        if name in driven.measures:
            out[name] = driven.measures[name]
        gap = driven.gaps.get(name, NAN)
        if gap == gap:
            out[f"{name}_gap"] = gap
    return out
