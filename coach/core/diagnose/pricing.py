"""Turns causes into findings: the fewest that explain the loss, with costs that add up to it."""

from __future__ import annotations

from typing import Final

from coach.core.diagnose.belief import MODEL, beliefs
from coach.core.diagnose.case import CERTAIN_TOLERANCES, COST_S, Case, Cause
from coach.core.measure.passes import PARTS, Part
from coach.core.values import Fault, Finding

DOUBT: Final = 3.0
"""A gap near its tolerance counts only if it cost this many deviations of the baseline loss."""

MAX_COST_SHARE: Final = 1.1
"""Largest sum of costs as a share of the pass's loss."""


def _weighed(lost_s: float, scatter_s: float, simulated_cost_s: float) -> float:
    """Return two estimates of one cost, weighted by their errors: the loss, and the causes' counterfactual cost."""
    simulated_cost_s = min(max(simulated_cost_s, 0.5 * lost_s), 1.5 * lost_s)
    a, b = 1.0 / max(scatter_s, 1e-3) ** 2, 1.0 / max(MODEL * simulated_cost_s, 1e-3) ** 2
    return (a * lost_s + b * simulated_cost_s) / (a + b)


def parts_of(fault: Fault) -> tuple[Part, ...]:
    """Return the parts where ``fault`` can cost time; losses elsewhere do not count for or against it."""
    if fault in ("brake_early", "brake_soft"):
        # the wait ends at the slowest place
        return ("entry", "middle", "exit")
    if fault in ("throttle_late", "throttle_soft", "brake_long", "exit_narrow", "exit_wide"):
        return ("middle", "exit", "straight")
    return PARTS


def allocate_cost(case: Case) -> tuple[Finding, ...]:
    """Return findings, costliest first. Their costs add up to the loss beyond the baseline."""
    scatter = case.scatter_in(PARTS)
    # a cause without a loss in its parts is none
    shown = [c for c in case.causes if case.excess_in(parts_of(c.fault)) > 0.0 and c.simulated_cost_s > 0.0]
    ordered = sorted(shown, key=lambda c: (-c.simulated_cost_s, -c.tolerance_ratio))
    chosen: list[Cause] = []
    rest = case.excess_s
    for cause in ordered:
        if chosen and rest < max(COST_S, scatter):
            break
        chosen.append(cause)
        rest -= cause.simulated_cost_s
    if not chosen:
        return ()
    # several causes share the whole loss; a single one only the loss of its parts
    parts = parts_of(chosen[0].fault) if len(chosen) == 1 else PARTS
    excess, scatter = case.excess_in(parts), case.scatter_in(parts)
    if not excess > 0.0:
        return ()
    alone = sum(c.simulated_cost_s for c in chosen)
    lost = min(_weighed(excess, scatter, alone), MAX_COST_SHARE * case.driven.total_s)
    found = []
    for cause, probability in zip(chosen, beliefs(case, shown, chosen), strict=True):
        cost = cause.simulated_cost_s * lost / alone
        # a gap far beyond its tolerance needs less loss as evidence
        deviations = DOUBT if cause.tolerance_ratio < CERTAIN_TOLERANCES else 1.0
        if cost >= max(COST_S, deviations * scatter):
            found.append(Finding(cause.fault, cause.amount, cause.unit, cost, cause.evidence, probability, cause.apex))
    return tuple(sorted(found, key=lambda f: (-f.cost_s, f.fault)))
