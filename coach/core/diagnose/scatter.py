"""How the driver scatters along a corner when he does nothing wrong, from all his passes: means and covariance.

One driver's scatter has the same shape at all corners (stretches follow the corner), so that the correlations are taken
over all of them and only the sizes corner by corner. The scatter is Student's t, fitted by its EM algorithm: the
farther off a pass lies, the less it counts, so that faults among the passes widen it little (Lange, Little and Taylor
1989, from memory). Few passes count less than what a practised driver shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.diagnose.practised import PRIOR
from coach.core.measure.profile_gaps import COUNT, FIRST_PEDAL, MEASURES, SIZE

PRACTISED: Final[Floats] = np.concatenate(
    [
        np.full(COUNT, 0.35),
        np.full(COUNT, 0.03),
        np.full(COUNT, 0.05),
        np.full(COUNT, 0.25),
        [0.08, *(PRIOR[name] for name in MEASURES)],
    ]
)
"""Deviations of a practised driver: speed [m/s], brake, throttle, offset [m], gear (common practice, no source), and
the measures.
"""
USUAL: Final = 2.0
"""The reference is one lap of a good driver: its own gap is at most this many deviations."""
SHRUNK: Final = 0.8
"""Share by which correlations are drawn towards none."""
FEW: Final = 3
"""Weight of the prior scatter, in passes, and the fewest that show one."""
LEAST: Final = 0.6
"""No driver scatters less than this share of a practised one."""
TAIL: Final = 20.0
"""Degrees of freedom of the scatter."""
ROUNDS: Final = 8
"""Rounds of the fit, each of which changes it by a fraction of the one before."""


class Scatter:
    """Usual gaps and covariance of each corner; ``profiles`` are the passes of each corner, arrays (SIZE,)."""

    def __init__(self, profiles: Mapping[int, Iterable[Floats]]) -> None:
        rows = {corner: np.array(list(kept)) for corner, kept in profiles.items()}
        centres = {c: _centre(x) for c, x in rows.items() if len(x) >= FEW}
        # no farther off than a good lap can be
        self._usual = {c: np.clip(x, -USUAL * PRACTISED, USUAL * PRACTISED) for c, x in centres.items()}
        # a steady habit is no scatter
        self._off = {c: rows[c] - x for c, x in centres.items()}
        everywhere = np.concatenate(list(self._off.values())) if self._off else np.zeros((0, SIZE))
        n = len(everywhere)
        self.known = n >= FIRST_PEDAL
        """Whether there are more passes than stretches whose covariance is taken."""
        own = _deviation(everywhere) if n >= FEW else PRACTISED
        own = np.maximum(own, LEAST * PRACTISED)
        self._anywhere = np.sqrt((FEW * PRACTISED**2 + n * own**2) / (FEW + n))
        self._sizes = {c: self._here(x) for c, x in self._off.items()}

    @cached_property
    def _correlations(self) -> Floats:
        """Covariance (SIZE, SIZE) of gaps in their deviations; fitted when first asked for: many drives never ask."""
        scaled = [np.nan_to_num(x / self._sizes[c]) for c, x in self._off.items()]
        return _shape(np.concatenate(scaled)) if sum(map(len, scaled)) > 2 * FEW else np.eye(SIZE)

    def _here(self, off: Floats) -> Floats:
        """Return deviations (SIZE,) at a corner with gaps ``off`` (n, SIZE), between its own and those anywhere."""
        size, n = self._anywhere, len(off)
        if n <= FEW:
            return size
        here = np.maximum(_deviation(off), size)
        out: Floats = np.sqrt((FEW * size**2 + n * here**2) / (FEW + n))
        return out

    def baseline(self, corner: int) -> Floats:
        """Return where the driver is when he does nothing wrong (SIZE,)."""
        return self._usual.get(corner, np.zeros(SIZE))

    def covariance(self, corner: int) -> Floats:
        """Return of the gaps around the usual ones (SIZE, SIZE)."""
        size = self._sizes.get(corner, self._anywhere)
        out: Floats = self._correlations * size[:, None] * size[None, :]
        return out


def _shape(scaled: Floats) -> Floats:
    """Return the covariance (SIZE, SIZE) of ``scaled`` gaps (n, SIZE)."""
    n = len(scaled)
    kept = (1.0 - SHRUNK) * n / (n + SIZE)
    shape = np.eye(SIZE)
    for _ in range(ROUNDS):
        far = np.einsum("ij,ij->i", scaled @ np.linalg.inv(shape), scaled)
        weight = (TAIL + SIZE) / (TAIL + far)
        fitted = (scaled.T * weight) @ scaled / n
        # fewer passes show less of how gaps go together
        shape = kept * fitted + (1.0 - kept) * np.diag(np.maximum(np.diag(fitted), LEAST**2))
    return shape


def _centre(rows: Floats) -> Floats:
    """Return the medians of what is always there, 0 elsewhere."""
    centre = np.zeros(SIZE)
    there = np.isfinite(rows).all(axis=0)
    centre[there] = np.median(rows[:, there], axis=0)
    return centre


def _deviation(rows: Floats) -> Floats:
    """Return deviations (SIZE,), robust against a minority of faults; a practised driver's where unknown."""
    known = np.isfinite(rows)
    filled = np.where(known, np.abs(rows), np.nan)
    out = PRACTISED.copy()
    there = known.any(axis=0)
    out[there] = 1.4826 * np.nanmedian(filled[:, there], axis=0)
    return out
