"""Quantile regression with few non-negative coefficients, as a linear program.

Koenker and Bassett 1978, Econometrica 46(1):33-50 (from memory), in its dual form: one bounded unknown a sample and
one constraint a coefficient, which HiGHS solves in milliseconds; the coefficients are the constraints' marginals.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import linprog

from coach.core.columns import Floats


def quantile_fit(features: Floats, values: Floats, share: float, weights: Floats | None = None) -> Floats:
    """Return coefficients (k,), none negative, with ``share`` of the ``values`` (n,) at or below ``features`` (n, k) @
    them.

    ``weights`` (n,) count samples more than once. Raise ValueError if the program has no solution.
    """
    w = np.ones(len(values)) if weights is None else weights
    if features.shape[1] == 1:
        return np.array([_scale(features[:, 0], values, share, w)])
    # columns of similar size keep the program well scaled
    size = np.abs(features).max(axis=0)
    size[size == 0.0] = 1.0
    bounds = list(zip((w * (share - 1.0)).tolist(), (w * share).tolist(), strict=True))
    done = linprog(-values, A_ub=(features / size).T, b_ub=np.zeros(len(size)), bounds=bounds, method="highs-ds")
    if not done.success:
        raise ValueError(f"quantile regression of {len(values)} samples: {done.message}")
    return np.asarray(-done.ineqlin.marginals / size)


def fewest(coefficients: int, share: float) -> int:
    """Return how many samples a fit needs: as many above it as it has coefficients."""
    return math.ceil(coefficients / (1.0 - share) - 1e-9)


def _scale(feature: Floats, values: Floats, share: float, weights: Floats) -> float:
    """Return the one coefficient of one positive feature: the weighted quantile of the ratios, without a program."""
    ratio = values / feature
    order = np.argsort(ratio)
    total = np.cumsum((weights * feature)[order])
    return max(float(ratio[order][np.searchsorted(total, share * total[-1])]), 0.0)
