"""From causes to findings: the fewest that explain what was lost, with costs that add up to it."""

from __future__ import annotations

from typing import Final

from coach.core.diagnosis.case import COST_S, Case, Cause
from coach.core.values import Finding

REST: Final = 0.35
"""Share of the loss that a first cause may leave unexplained before a second one is looked for."""

DOUBT: Final = 2.0
"""A gap near the edge of its band counts only if it cost this many deviations of the usual loss."""
FAR: Final = 2.0

MODEL: Final = 0.3
"""Relative error of a counterfactual cost: it knows the reference's speeds but not how this pass would have gone."""
SHOWN: Final = 0.15
"""The pass must have lost at least this share of what its causes should have cost."""


def _weighed(lost_s: float, scatter_s: float, alone_s: float) -> float:
    """Two estimates of one cost, weighed by their errors: what was lost, and what the causes alone would cost."""
    alone_s = min(max(alone_s, 0.5 * lost_s), 1.5 * lost_s)
    a, b = 1.0 / max(scatter_s, 1e-3) ** 2, 1.0 / max(MODEL * alone_s, 1e-3) ** 2
    return (a * lost_s + b * alone_s) / (a + b)


def priced(case: Case) -> tuple[Finding, ...]:
    """Findings, costliest first. Their costs add up to the loss beyond the usual one."""
    scatter = case.bands.sigma(case.driven.corner, "loss_s")
    lost = min(case.excess_s, 1.1 * case.driven.total_s)
    ordered = sorted(case.causes, key=lambda c: -c.alone_s)
    chosen: list[Cause] = []
    rest = lost
    for cause in ordered:
        if chosen and rest < max(COST_S, scatter, REST * lost):
            break
        if cause.alone_s <= 0.0:
            continue
        chosen.append(cause)
        rest -= cause.alone_s
    alone = sum(c.alone_s for c in chosen)
    lost = min(_weighed(case.excess_s, scatter, alone), 1.1 * case.driven.total_s)
    if case.excess_s < SHOWN * alone:
        return ()
    found = []
    for cause in chosen:
        cost = cause.alone_s * lost / alone if alone > 0.0 else 0.0
        # what stands far outside its band needs less of a loss to be believed
        if cost >= max(COST_S, scatter * (DOUBT if cause.sure < FAR else 0.5)):
            found.append(Finding(cause.fault, cause.amount, cause.unit, cost, cause.evidence))
    return tuple(sorted(found, key=lambda f: (-f.cost_s, f.fault)))
