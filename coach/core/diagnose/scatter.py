"""How the driver scatters along a corner when he does nothing wrong, from all his passes: means and covariance.

One driver's scatter has the same shape at all corners (stretches follow the corner), so that the correlations are taken
over all of them and only the sizes corner by corner. Passes that lie far off are left out, and few passes count less
than what a practised driver shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.measure.profile_gaps import COUNT, SIZE

PRACTISED: Final[Floats] = np.concatenate(
    [np.full(COUNT, 0.35), np.full(COUNT, 0.03), np.full(COUNT, 0.05), np.full(COUNT, 0.25), [0.08]]
)
"""Deviations of a practised driver: speed [m/s], brake, throttle, offset [m], gear (common practice, no source)."""
LEAST: Final = 0.5
"""No deviation is smaller than this share of a practised driver's: less cannot be simulated."""
USUAL: Final = 2.0
"""The reference is one lap of a good driver: its own gap is at most this many deviations."""
SHRUNK: Final = 0.3
"""Share by which correlations are drawn towards none."""
OWN: Final = 10.0
"""A corner's own passes weigh against so many of all corners."""
FEW: Final = 3.0
KEPT: Final = 0.85
"""Share of the passes that lie nearest: the rest may have faults."""


class Scatter:
    """Usual gaps and covariance of each corner; ``profiles`` are the passes of each corner, arrays (SIZE,)."""

    def __init__(self, profiles: Mapping[int, Iterable[Floats]]) -> None:
        rows = {corner: np.array(list(kept)) for corner, kept in profiles.items()}
        self._usual = {c: _middle(x) for c, x in rows.items() if len(x) >= FEW}
        self._off = {c: x - self._usual.get(c, 0.0) for c, x in rows.items() if len(x)}
        everywhere = np.concatenate(list(self._off.values())) if self._off else np.zeros((0, SIZE))
        n = len(everywhere)
        self.known = n > SIZE
        """Whether there are more passes than gaps whose covariance is taken."""
        own = _deviation(everywhere) if n >= FEW else PRACTISED
        self._size = np.sqrt((FEW * PRACTISED**2 + n * np.maximum(own, LEAST * PRACTISED) ** 2) / (FEW + n))
        self._shape = np.eye(SIZE)
        if n > 2 * FEW:
            scaled = np.nan_to_num(everywhere / self._size)
            far = (scaled**2).mean(axis=1)
            near = scaled[far <= np.quantile(far, KEPT)]
            shape = (1.0 - SHRUNK) * (near.T @ near) / len(near)
            shape *= n / (n + SIZE)
            self._shape = shape + np.diag(np.maximum(1.0 - np.diag(shape), SHRUNK * np.diag(shape)) + 0.05)

    def baseline(self, corner: int) -> Floats:
        """Return where the driver is when he does nothing wrong (SIZE,)."""
        return self._usual.get(corner, np.zeros(SIZE))

    def covariance(self, corner: int) -> Floats:
        """Return of the gaps around the usual ones (SIZE, SIZE)."""
        size, off = self._size, self._off.get(corner)
        if off is not None and len(off) > FEW:
            here = np.clip(_deviation(off), LEAST * size, 2.5 * size)
            size = np.sqrt((OWN * size**2 + len(off) * here**2) / (OWN + len(off)))
        out: Floats = self._shape * size[:, None] * size[None, :]
        return out


def _middle(rows: Floats) -> Floats:
    """Return the medians of what is there, 0 where nothing is, and no farther off than a good lap can be."""
    middle = np.zeros(SIZE)
    there = np.isfinite(rows).all(axis=0)
    middle[there] = np.median(rows[:, there], axis=0)
    return np.clip(middle, -USUAL * PRACTISED, USUAL * PRACTISED)


def _deviation(rows: Floats) -> Floats:
    """Return deviations (SIZE,), robust against a minority of faults; a practised driver's where unknown."""
    known = np.isfinite(rows)
    filled = np.where(known, np.abs(rows), np.nan)
    out = PRACTISED.copy()
    there = known.any(axis=0)
    out[there] = 1.4826 * np.nanmedian(filled[:, there], axis=0)
    return out
