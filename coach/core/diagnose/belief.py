"""Probability of causes: weighs every explanation of a pass by its fit, scatter included.

The explanations are pure scatter, each cause alone, and the chosen ones together. Residuals count against an
explanation: the gaps of other causes in deviations of the driver, and the lost time beyond the cost of its causes.
Deviations follow Student's t with few degrees of freedom, because drivers have bad days. Each further cause costs half
the logarithm of the number of gaps (Schwarz 1978, the Bayesian information criterion, from memory) and the logarithm of
the number of candidate faults.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from coach.core.diagnose.case import Case, Cause
from coach.core.diagnose.hypotheses import SIMULATED
from coach.core.diagnose.tolerance import WIDTH, judged_count

TAIL: Final = 4.0
"""Degrees of freedom of a driver's scatter: a deviation of 4 occurs once in a hundred times, not in ten thousand."""
MODEL: Final = 0.35
"""Relative error of what a simulated fault does: of its cost, of each channel in each part of the corner, of a path at
each place.
"""
_PRICE: Final = 0.5 * math.log(judged_count()) + math.log(len(SIMULATED))


def _unlikely(deviations: float) -> float:
    """Return the negative log-likelihood ratio of a deviation to none."""
    return 0.5 * (TAIL + 1.0) * math.log1p(deviations * deviations / TAIL)


def beliefs(case: Case, shown: Sequence[Cause], chosen: Sequence[Cause]) -> list[float]:
    """Return probability (0..1) of each of the ``chosen``."""
    scatter = max(case.scatter_in(("entry", "middle", "exit", "straight")), 1e-3)
    models: list[tuple[Cause, ...]] = [(), *((c,) for c in shown)]
    if len(chosen) > 1:
        models.append(tuple(chosen))
    logs = [_log_of(case, model, shown, scatter) for model in models]
    top = max(logs)
    weights = [math.exp(value - top) for value in logs]
    total = sum(weights)
    return [sum(w for w, m in zip(weights, models, strict=True) if c in m) / total for c in chosen]


def _log_of(case: Case, model: tuple[Cause, ...], shown: Sequence[Cause], scatter: float) -> float:
    alone = sum(c.simulated_cost_s for c in model)
    width = math.hypot(scatter, MODEL * alone)
    log = -_unlikely((case.excess_s - alone) / width) - math.log(width / scatter)
    left_open = sum(_unlikely(WIDTH * c.tolerance_ratio) for c in shown if c not in model)
    return log - left_open - _PRICE * len(model)
