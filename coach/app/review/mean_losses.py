"""Mean losses: the mean cost of each corner over the laps that count."""

from __future__ import annotations

import math
from collections import defaultdict

import msgspec

from coach.app.review.debrief import CornerLoss, Debrief


class MeanLoss(msgspec.Struct, frozen=True):
    """Mean losses of a corner [s] over the laps that count, and the loss of ``each`` lap in order."""

    corner: str
    parts: tuple[float, float, float, float]
    """Entry, middle, exit, straight after."""
    each: tuple[float, ...]

    @property
    def total_s(self) -> float:
        """Total mean loss."""
        return math.fsum(self.parts)


def mean_losses(done: Debrief) -> list[MeanLoss]:
    """Return the mean cost of each corner in driving order; omit corners without a valid lap."""
    rows: dict[str, list[CornerLoss]] = defaultdict(list)
    for lap in done.laps:
        for corner in lap.corners if lap.valid else ():
            rows[corner.corner].append(corner)
    order = list(dict.fromkeys(corner.corner for lap in done.laps for corner in lap.corners))
    out = []
    for name in sorted(rows, key=order.index):
        parts = zip(
            *((c.loss_entry_s, c.loss_middle_s, c.loss_exit_s, c.loss_straight_s) for c in rows[name]), strict=True
        )
        entry, middle, exit_, straight = (math.fsum(values) / len(values) for values in parts)
        each = tuple(c.loss_s + c.loss_straight_s for c in rows[name])
        out.append(MeanLoss(name, (entry, middle, exit_, straight), each))
    return out
