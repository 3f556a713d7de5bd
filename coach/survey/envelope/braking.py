"""Braking alone and with turning: the braking limit and the combined exponent, fitted together.

The hardest braking at a share of the lateral limit is an upper quantile of the samples there; the fit chooses the
exponent whose limit matches the quantile best. Where the brakes themselves are the limit, the tyres' limit is invisible
(a censored quantile; Powell 1986, J. Econometrics 32(1):143-155, from memory).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.track.envelope import G_MPS2, GripLimit
from coach.survey.envelope.quantile import fewest, quantile_fit
from coach.survey.envelope.samples import FEWEST_PLACES, Samples

SHARE: Final = 0.9
BRAKED: Final = 0.3
"""Least share of the hardest braking: less is the release, or no braking."""
TURNED: Final = 0.95
"""Largest share of the lateral limit: beyond it its own error dominates."""
ELLIPSE: Final = 2.0
MOST_SAMPLES: Final = 400
EXPONENTS: Final = (1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 3.0, 4.0, 6.0, 10.0)

COARSE: Final = (1.4, 2.0, 3.0, 6.0)
"""Iterations while the lateral limit is uncertain."""


def free_share(side_use: Floats, exponent: float) -> Floats:
    """Return the share of the longitudinal limit that is left at a share of the lateral one, at least a thousandth."""
    left = np.maximum(1.0 - np.minimum(side_use, 1.0) ** exponent, 0.0) ** (1.0 / exponent)
    return np.asarray(np.maximum(left, 1e-3))


def fit_braking(
    samples: Samples, slowing: Floats, side_use: Floats, growth: float, drag: float, weights: Floats,
    exponents: tuple[float, ...] = EXPONENTS,
) -> tuple[GripLimit, float] | None:  # fmt: skip
    """Return braking limit and exponent from the tyres' deceleration ``slowing`` (laps, blocks) and ``side_use``, same
    shape.

    ``growth`` [s2/m2] is the most that aero / base may be, the drag in it. None without enough samples of it.
    """
    braking = (samples.corner >= 0) & (side_use < TURNED)
    top = np.sort(np.where(braking, slowing, 0.0), axis=None)[-max(slowing.size // 50, 1) :]
    where = braking & (slowing > BRAKED * float(np.median(top)))
    if int(where.sum()) < fewest(2, SHARE):
        return None
    row, column = np.nonzero(where)
    every = max(1, -(-len(row) // MOST_SAMPLES))
    at = row[::every], column[::every]
    x, y, v, load, w = slowing[at], side_use[at], samples.speed_mps[at], samples.load[at], weights[at[0]]
    hardest = _hardest(x, w)
    # few places show neither the growth with speed nor the exponent: the lateral limit's growth, the friction ellipse
    few = len(np.unique(samples.corner[at[1]])) < FEWEST_PLACES
    forms = np.column_stack([np.zeros_like(load) if few else load, load + growth * v * v])
    best: tuple[float, GripLimit, float] | None = None
    for p in (ELLIPSE,) if few else exponents:
        free = free_share(y, p)
        grown = free[:, None] * forms
        asked = x + free * drag * v * v
        seen = np.ones(len(x), dtype=np.bool_)
        for _ in range(2):
            constant, growing = quantile_fit(grown[seen], asked[seen], SHARE, w[seen]).tolist()
            limit = grown @ np.array([constant, growing]) - free * drag * v * v
            seen = limit < hardest
            if int(seen.sum()) < fewest(2, SHARE):
                break
        rest = x - np.minimum(limit, hardest)
        loss = float((w * np.maximum(SHARE * rest, (SHARE - 1.0) * rest)).sum())
        if constant + growing > 0.0 and (best is None or loss < best[0]):
            fastest = float(np.quantile(v, 0.98))
            best = loss, GripLimit(constant + growing, growth * growing - drag, fastest, hardest), p
    return None if best is None else best[1:]


def _hardest(x: Floats, weights: Floats) -> float:
    """Return the brakes' limit, without the few hardest moments [m/s2]."""
    order = np.argsort(x)
    share = np.cumsum(weights[order])
    return float(x[order][np.searchsorted(share, 0.97 * share[-1])])


def growth_with_drag(lateral: GripLimit, drag: float) -> float:
    """Return the most that the whole deceleration may grow with speed, as aero / base [s2/m2]: downforce and drag."""
    return max(lateral.aero_pm / lateral.base_mps2, 0.0) + drag / G_MPS2
