"""Which fault explains a pass best: each one's simulated gaps against the measured ones, under the driver's scatter.

Evidence is the logarithm by which the pass is more likely with the fault than without (Student's t, because drivers
have bad days), the loss among what is to be explained. A simulated fault is not exact: each channel of it may be larger
or smaller in each part of the corner, and the evidence pays for that freedom (the determinant of the wider covariance).
A fault costs the logarithm of how many there are to choose from and of how rare one is. Speed and pedals are judged
apart from the path: no model knows what a driver does with them on another line. A line fault explains a path and any
speed, as well as the best other fault does (line before speed); late braking explains its speeds and any path outside.
Either pays for that choice the logarithm of how many there are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.diagnose.belief import MODEL
from coach.core.diagnose.belief import TAIL as LOSS_TAIL
from coach.core.diagnose.hypotheses import SIMULATED
from coach.core.diagnose.scatter import TAIL, Scatter
from coach.core.diagnose.signatures import Signatures
from coach.core.diagnose.vetoes import Veto
from coach.core.measure.profile_gaps import BEFORE_M, COUNT, FIRST_LINE, FIRST_PEDAL, LINES, PEDALS, SIZE, SPLIT
from coach.core.values import Fault

Marks = NDArray[np.bool_]
Places = NDArray[np.intp]
LINE: Final[frozenset[Fault]] = frozenset({"turn_in_early", "turn_in_late", "apex_missed", "exit_narrow", "exit_wide"})
OUTSIDE: Final[frozenset[Fault]] = frozenset({"turn_in_late", "apex_missed", "exit_wide"})
"""Where late braking carries a car."""
PRICE: Final = 8.0
"""Evidence that a fault must gain: the logarithm of how many faults there are, and of how rare they are."""
SMALL: Final = 0.4
"""A fault is at least this share of a simulated amount, and at most the inverse."""
_AMONG: Final = math.log(len(SIMULATED))
_NB: Final = len(BEFORE_M)
_PARTS: Final = (
    slice(0, _NB),
    slice(_NB, _NB + SPLIT),
    slice(_NB + SPLIT, _NB + SPLIT + 2),
    slice(_NB + SPLIT + 2, COUNT),
)
_PATH: Final = slice(3 * COUNT, 4 * COUNT)


@dataclass(frozen=True)
class Explanation:
    """The best fault of a pass: its row, its amount as a share of the row's, and how probable it is."""

    row: int
    share: float
    probability: float
    cost_s: float


@dataclass(frozen=True)
class _Group:
    """Some rows in whitened gaps: ``white`` (p, p), signatures (r, p), freedoms (r, p, m) that are taken off."""

    known: Marks
    rows: Places
    white: Floats
    signs: Floats
    free: Floats
    weight: Floats
    price: Floats

    def evidence(self, gaps: Floats, wider: float) -> tuple[Floats, Floats]:
        """Return evidence (r,) and shares (r,) for ``gaps`` (SIZE,), whose covariance is ``wider`` times as large."""
        y = self.white @ gaps[self.known]
        own = np.einsum("rpm,p->rm", self.free, y)
        along = self.signs @ y - np.einsum("rm,rm->r", np.einsum("rpm,rp->rm", self.free, self.signs), own)
        raw = along / self.weight
        share = np.clip(raw, SMALL, 1.0 / SMALL)
        none = float(y @ y)
        left = none - (own**2).sum(axis=1) - 2.0 * share * along + share**2 * self.weight
        gain = 0.5 * (TAIL + len(y)) * np.log((TAIL + none / wider) / (TAIL + np.maximum(left, 0.0) / wider))
        return np.where(raw >= SMALL, gain - self.price, -np.inf), share


def _group(signs: Signatures, which: Places, freedoms: Floats, covariance: Floats, known: Marks) -> _Group:
    white = np.linalg.inv(np.linalg.cholesky(covariance[np.ix_(known, known)]))
    gaps = np.nan_to_num(signs.gaps[which])[:, known] @ white.T
    spread = np.einsum("pq,rqm->rpm", white, freedoms[:, known])
    inner = np.eye(freedoms.shape[2]) + np.einsum("rpm,rpn->rmn", spread, spread)
    factor = np.linalg.cholesky(np.linalg.inv(inner))
    free = spread @ factor
    own = np.einsum("rpm,rp->rm", free, gaps)
    weight = (gaps**2).sum(axis=1) - (own**2).sum(axis=1) + 1e-9
    return _Group(known, which, white, gaps, free, weight, 0.5 * np.linalg.slogdet(inner)[1])


class Explainer:
    """Explains the passes of one corner under one scatter."""

    def __init__(self, signs: Signatures, scatter: Scatter, corner: int) -> None:
        self.signs = signs
        self.usual = scatter.baseline(corner)
        self._covariance = scatter.covariance(corner)
        self._faults = np.array([h.fault for h, _ in signs.rows])
        self._line = np.isin(self._faults, list(LINE))
        self._late = self._faults == "brake_late"
        path = self._faults[self._line]
        self._outside = np.isin(path, list(OUTSIDE))
        self._groups: dict[bytes, tuple[_Group, _Group]] = {}

    def _of(self, known: Marks) -> tuple[_Group, _Group]:
        key = known.tobytes()
        found = self._groups.get(key)
        if found is None:
            path = np.zeros(SIZE, dtype=bool)
            path[_PATH], path[FIRST_LINE:] = True, True
            speed, line = np.flatnonzero(~self._line), np.flatnonzero(self._line)
            gaps = np.nan_to_num(self.signs.gaps)
            found = self._groups[key] = (
                _group(self.signs, speed, _inexact(gaps[speed]), self._covariance, known & ~path),
                _group(self.signs, line, _crooked(gaps[line]), self._covariance, known & path),
            )
        return found

    def _known(self, gaps: Floats) -> Marks:
        out: Marks = np.isfinite(gaps) & np.isfinite(self.signs.gaps).all(axis=0)
        return out

    def can_tell(self, gaps: Floats) -> bool:
        """Return whether speed, pedals and path are all there in some part of the corner."""
        rows = self._known(gaps)[: 4 * COUNT].reshape(4, COUNT)
        return bool(rows.any(axis=1).all())

    def explain(
        self,
        gaps: Floats,
        excess_s: float,
        scatter_s: float,
        slower_mps: float,
        ruled_out: Veto,
        prior: Mapping[Fault, float],
    ) -> Explanation | None:
        """Return the best explanation of a pass's ``gaps`` (SIZE,); None if nothing speaks for a fault.

        ``excess_s`` is what it lost beyond the usual, with deviation ``scatter_s``; it came ``slower_mps`` slower. What
        is ``ruled_out`` is not returned; ``prior`` is the evidence known before.
        """
        speed, line = self._of(self._known(gaps))
        rest, wider = gaps - self.usual, 1.0
        if slower_mps > 0.0:
            arriving, late_s = self.signs.arriving(slower_mps)
            rest = rest - arriving
            excess_s -= late_s
            # what is taken off is not exact either
            white = speed.white @ np.nan_to_num(arriving)[speed.known]
            wider += float(MODEL**2 * (white @ white) / len(white))
        total = np.full(len(self.signs.rows), -np.inf)
        share = np.zeros(len(self.signs.rows))
        gain, share[speed.rows] = speed.evidence(rest, wider)
        cost = self.signs.cost_s * share
        lost = self._lost(excess_s, scatter_s)
        total[speed.rows] = gain + self._loss(excess_s, scatter_s, cost[speed.rows]) - PRICE
        if line.known.any():
            gain, share[line.rows] = line.evidence(rest, wider)
            # it explains the speed as well as the best other fault does; a line outside not what late braking does
            anyhow = max(float(total.max()) + PRICE - _AMONG, lost)
            other = max(float(total[~self._late].max()) + PRICE - _AMONG, lost)
            # late braking carries the car outside, on any path
            total[self._late] += max(0.0, float(gain[self._outside].max()) - _AMONG)
            total[line.rows] = gain + np.where(self._outside, other, anyhow) - PRICE
            cost[line.rows] = excess_s
        total += [prior.get(h.fault, 0.0) for h, _ in self.signs.rows]
        k = int(total.argmax())
        hypothesis, amount = self.signs.rows[k]
        if ruled_out(hypothesis.fault, float(share[k]) * amount):
            # what looks like the cause cannot be: only another line that shows by itself may have led to it
            total[:] = -np.inf
            if line.known.any():
                total[line.rows] = gain - PRICE
        top = float(total.max())
        if not top > 0.0:
            return None
        weight = np.exp(total - top)
        k = int(total.argmax())
        own = self._faults == self._faults[k]
        probability = min(float(weight[own].sum() / (weight.sum() + math.exp(-top))), 1.0)
        return Explanation(k, float(share[k]), probability, float(cost[k]))

    @staticmethod
    def _lost(excess_s: float, scatter_s: float) -> float:
        return 0.5 * (LOSS_TAIL + 1.0) * math.log1p((excess_s / scatter_s) ** 2 / LOSS_TAIL)

    def _loss(self, excess_s: float, scatter_s: float, cost: Floats) -> Floats:
        """Return the evidence of the loss: how much likelier it is with a fault that costs ``cost``."""
        width = np.hypot(scatter_s, MODEL * cost)
        off = 0.5 * (LOSS_TAIL + 1.0) * np.log1p(((excess_s - cost) / width) ** 2 / LOSS_TAIL)
        out: Floats = self._lost(excess_s, scatter_s) - off - np.log(width / scatter_s)
        return out


def _inexact(gaps: Floats) -> Floats:
    """Return freedoms (r, SIZE, m) of simulated faults: each channel in each part, each measure."""
    out = np.zeros((len(gaps), SIZE, 4 * len(_PARTS) + len(PEDALS)))
    own = np.arange(len(PEDALS))
    out[:, FIRST_PEDAL + own, 4 * len(_PARTS) + own] = MODEL * gaps[:, FIRST_PEDAL + own]
    for channel in range(4):
        for j, part in enumerate(_PARTS):
            nodes = np.arange(channel * COUNT, (channel + 1) * COUNT)[part]
            out[:, nodes, channel * len(_PARTS) + j] = MODEL * gaps[:, nodes]
    return out


def _crooked(gaps: Floats) -> Floats:
    """Return freedoms (r, SIZE, m) of simulated paths: each stretch, each measure."""
    out = np.zeros((len(gaps), SIZE, COUNT + len(LINES)))
    own = np.arange(len(LINES))
    out[:, FIRST_LINE + own, COUNT + own] = MODEL * gaps[:, FIRST_LINE + own]
    most = np.abs(gaps[:, _PATH]).max(axis=1)
    for j in range(COUNT):
        out[:, 3 * COUNT + j, j] = MODEL * most
    return out
