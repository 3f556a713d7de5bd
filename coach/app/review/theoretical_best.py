"""The theoretical best: the fastest lap from a driver's own pieces, each with a possible entry speed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.measure.passes import PassRecord
from coach.core.track.zones import Zone

SPARE_MPS: Final = 0.3
"""Tolerance of a piece's entry speed over the previous exit speed: the scatter of a speed [m/s]."""
CUT_M: Final = 0.5
"""A straight shorter by less than this counts as complete [m]."""


def theoretical_best_lap(driven: Sequence[PassRecord], zones: Sequence[Zone]) -> tuple[float, tuple[int, ...]]:
    """Return the time of the best possible lap [s] and the lap each piece is from; NaN without a pass of every corner.

    Two pieces a corner of ``zones``: the corner, and the straight after it, unless the record ends on it. Solved by
    dynamic programming over the pieces in driving order, around the lap from corner 0 to corner 0; the last piece must
    also fit the first.
    """
    pieces: list[list[tuple[float, float, float, int]]] = [[] for _ in range(2 * len(zones))]
    for one in driven:
        if not one.whole or one.trace is None:
            continue
        zone, trace = one.zone, one.trace
        places = (zone.start_m, zone.end_m, zone.next_start_m)
        t = [trace.at("t_s", p) for p in places]
        v = [trace.at("speed_mps", p) for p in places]
        pieces[2 * one.corner].append((t[1] - t[0], v[0], v[1], one.lap))
        if zone.straight_m > zones[one.corner].straight_m - CUT_M:
            pieces[2 * one.corner + 1].append((t[2] - t[1], v[1], v[2], one.lap))
    if not pieces or any(not p for p in pieces):
        return float("nan"), ()
    best = float("inf")
    path: tuple[int, ...] = ()
    # fix each first piece in turn, so that the lap closes
    for first in range(len(pieces[0])):
        total, chosen = _around(pieces, first)
        if total < best:
            best, path = total, chosen
    return best, path


def _around(pieces: list[list[tuple[float, float, float, int]]], first: int) -> tuple[float, tuple[int, ...]]:
    start = pieces[0][first]
    cost = np.array([start[0]])
    out = np.array([start[2]])
    back: list[NDArray[np.intp]] = []
    for options in pieces[1:]:
        time, into, leave, _ = (np.array(column) for column in zip(*options, strict=True))
        allowed = into[None, :] <= out[:, None] + SPARE_MPS
        total = np.where(allowed, cost[:, None], np.inf)
        back.append(total.argmin(axis=0))
        cost, out = total.min(axis=0) + time, leave
    cost = np.where(start[1] <= out + SPARE_MPS, cost, np.inf)
    last = int(cost.argmin())
    if not np.isfinite(cost[last]):
        return float("inf"), ()
    chosen = [last]
    for step in reversed(back):
        chosen.append(int(step[chosen[-1]]))
    chosen.reverse()
    return float(cost[last]), tuple(pieces[i][k][3] for i, k in enumerate([first, *chosen[1:]]))
