"""Compares the throttle application on the exit with the reference: later, softer, held, or lifted."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from coach.core.columns import Floats
from coach.core.measure.measures import BRAKE_ON, NAN, PEDAL_OFF
from coach.core.measure.trace import Trace
from coach.core.numeric.reductions import all_finite, largest, median, stretches
from coach.core.track.zones import Zone

LEVELS: Final = (0.1, 0.3, 0.5)
"""Throttle levels for comparing two applications."""
OPENED: Final = (0.3, 0.5)
"""Least throttle for comparing shares: of any application, and of one that paused with held throttle."""
WIDE: Final = 0.9
"""Throttle level that a soft application does not reach, but a late one does."""
LIFT: Final = 0.3
"""Least throttle reduction of a lift."""
BAND: Final = 0.08
"""Half width of the band around a level in which the throttle counts by its share."""
HOLD_M: Final = 30.0
"""Longest distance in which an application passes a level: beyond it the throttle is held there."""
STAYS_M: Final = 8.0
"""Least length of an application."""
LIKE_M: Final = 4.0
"""Delays that differ by less between levels mean the same application done later."""
LACK: Final = 0.05
"""Least missing throttle that counts as withheld rather than slightly late."""
STRAIGHTS_M: Final = 60.0
"""Length of a straight that belongs to the corner before it."""


class Rows:
    """Channels of a trace over some of its nodes, at the places ``u``; results are cached."""

    def __init__(self, u: Floats, trace: Trace, rows: slice) -> None:
        self.u = u
        self.speed = trace.speed_mps[rows]
        self.throttle = trace.throttle[rows]
        self.brake = trace.brake[rows]
        self.offset = trace.offset_m[rows]
        self.curvature = trace.curvature_pm[rows]
        self.gear = trace.gear[rows]
        self.has_throttle = all_finite(self.throttle)
        self.has_pedals = self.has_throttle and all_finite(self.brake)
        self.found: dict[tuple[Any, ...], Any] = {}

    def inside(self, low_m: float, high_m: float) -> slice:
        """Return the nodes from ``low_m`` to ``high_m``, both included."""
        return slice(int(self.u.searchsorted(low_m)), int(self.u.searchsorted(high_m, "right")))


def opening(rows: Rows, level: float, from_m: float, to_m: float) -> float:
    """Return where the throttle finally passes ``level`` on its way to full; NaN if it never closed."""
    key = (level, from_m, to_m)
    found = rows.found.get(key)
    if found is None:
        found = rows.found[key] = _opening(rows, level, from_m, to_m)
    return float(found)


def _opening(rows: Rows, level: float, from_m: float, to_m: float) -> float:
    k, top, almost_open = _way_to_full(rows, from_m, to_m)
    if not top >= level:
        return NAN
    u, throttle = rows.u, rows.throttle
    stop = almost_open if level <= 0.9 * top else k + int((throttle[k:] >= level).argmax())
    under = (throttle[k : stop + 1] < level).nonzero()[0]
    if not len(under):
        return NAN
    i = k + int(under[-1])
    if i + 1 >= len(u):
        return float(u[-1])
    y0, y1 = float(throttle[i]), float(throttle[i + 1])
    here, there = float(u[i]), float(u[i + 1])
    return here + (there - here) * min(max((level - y0) / max(y1 - y0, 1e-9), 0.0), 1.0)


def lift_off_m(rows: Rows, at_m: float) -> float:
    """Return where the throttle closed before ``at_m``; ``at_m`` itself if it is open there."""
    here = int(rows.u.searchsorted(at_m))
    given = (rows.throttle[: here + 1] >= PEDAL_OFF).nonzero()[0]
    return float(rows.u[given[-1]]) if len(given) and given[-1] < here else at_m


def _way_to_full(rows: Rows, from_m: float, to_m: float) -> tuple[int, float, int]:
    """Return the first node there, the most throttle (NaN without a node), and the first node with nearly as much."""
    key = (from_m, to_m)
    found = rows.found.get(key)
    if found is None:
        between = rows.inside(from_m, to_m)
        k = between.start
        if k < between.stop:
            top = largest(rows.throttle[between])
            found = k, top, k + int((rows.throttle[k:] >= 0.9 * top).argmax())
        else:
            found = k, NAN, k
        rows.found[key] = found
    return found


def throttle_gaps(own: Rows, ref: Rows, zone: Zone, ours: dict[str, float]) -> dict[str, float]:
    """Return the delay of the throttle [m], and the missing share once it is open."""
    out = {"drive_late_m": NAN, "drive_share": NAN, "lifted_m": NAN}
    start = ours["throttle_start_m"]
    if start != start or not (own.has_throttle and ref.has_throttle):
        return out
    slow = ours["min_speed_at_m"]
    from_m, to_m = min(start, slow) - 15.0, max(zone.end_m, start) + STRAIGHTS_M
    # after the final release the rest belongs to the next corner
    end_m = float(own.u[-1])
    to_m = max(min(to_m, lift_off_m(own, end_m), lift_off_m(ref, end_m)), max(start, slow) + 10.0)
    late, held = _late(own, ref, from_m, to_m)
    if late != late:
        out["lifted_m"] = _lifted(own, ref, start, to_m)
        return out
    out["drive_late_m"] = late
    opened = opening(own, OPENED[held], from_m, to_m)
    opened = opened if opened == opened else opening(own, OPENED[0], from_m, to_m)
    opened = opened if opened == opened else start
    out["lifted_m"] = _lifted(own, ref, opened, to_m)
    begin = max(start, opened) + 10.0
    out["drive_share"] = _missing(own, ref, late, begin, min(max(zone.exit_m, begin + 30.0), to_m))
    return out


def _late(own: Rows, ref: Rows, from_m: float, to_m: float) -> tuple[float, bool]:
    """Return the delay of the throttle [m], NaN if either never closed it; and whether it was held."""
    both = _both_open(own, ref, from_m, to_m)
    if both is None:
        return NAN, False
    step = float(own.u[1] - own.u[0])
    mine, theirs = own.throttle[both], ref.throttle[both]
    wide = _later(mine, theirs, WIDE, step)
    # throttle that only holds speed is not exit throttle
    levels = [level for level in LEVELS if not _holds(theirs, level, step)] or [WIDE]
    lates = [_later(mine, theirs, level, step) for level in levels]
    # a held throttle is equally late at all levels; a soft application is later at higher levels
    held = wide - lates[-1] < LIKE_M
    if len(lates) > 1 and lates[-1] - lates[-2] > LIKE_M and not held:
        # later at higher levels: softer, not later
        return lates[0], held
    late = max(lates)
    if late > LIKE_M and late - wide > LIKE_M and largest(mine) >= WIDE:
        # not the same application done later, but none and then all at once
        late = max(late, _withheld(own, ref, levels[0], from_m, to_m))
    return late, held


def _missing(own: Rows, ref: Rows, late: float, from_m: float, to_m: float) -> float:
    """Return the median share of the reference's throttle that is missing; NaN where the reference gives too little."""
    rows = own.inside(from_m, to_m)
    on = ref.throttle[rows] > 0.4
    if np.count_nonzero(on) < 10:
        return NAN
    theirs = ref.throttle[rows][on]
    if late > 0.0:
        # at the same place, and at the same distance from the application: late is not soft
        theirs = np.minimum(theirs, np.interp(own.u[rows][on] - late, own.u, ref.throttle))
    return median(1.0 - own.throttle[rows][on] / np.maximum(theirs, 0.3))


def _withheld(own: Rows, ref: Rows, level: float, from_m: float, to_m: float) -> float:
    """Return the metres after the reference passes ``level`` with as much throttle as the pass withheld."""
    u = own.u
    inside = (u >= from_m) & (u <= to_m)
    first = opening(ref, level, from_m, to_m)
    if first != first:
        return 0.0
    lack = np.where(inside, ref.throttle - own.throttle, 0.0)
    # from where it gives less until it has caught up: both may start alike
    begun = np.flatnonzero(inside & (u > first) & (lack > LACK))
    if not len(begun):
        return 0.0
    after = np.flatnonzero(inside & (u > max(first + 3.0, u[begun[0]])) & (lack < 0.02))
    until = int(after[0]) if len(after) else int(np.flatnonzero(inside)[-1])
    missing = float(np.maximum(lack[:until], 0.0).sum())
    given = np.cumsum(np.where(u >= first, ref.throttle, 0.0))
    enough = np.flatnonzero(given >= missing)
    return float(u[enough[0]] - first) if len(enough) else 0.0


def _both_open(own: Rows, ref: Rows, from_m: float, to_m: float) -> slice | None:
    """Return the rows up to where both have opened the throttle; None if either never closed it."""
    between = own.inside(from_m, to_m)
    if between.stop - between.start < 2:
        return None
    ends = []
    for rows in (own, ref):
        first, top, almost_open = _way_to_full(rows, from_m, to_m)
        end = almost_open if top > OPENED[-1] else between.stop - 1
        if end == first:
            return None
        ends.append(end)
    return slice(between.start, max(ends) + 1)


def _later(own: Floats, ref: Floats, level: float, step: float) -> float:
    """Return metres by which ``own`` gives ``level`` later than ``ref``, negative if sooner.

    Counts from the reference's application on, so that gear changes affect both alike, and earlier dabs do not offset
    missing throttle later.
    """
    low = level - BAND
    theirs = _given(ref, low, step)
    shares = ((np.stack((ref[theirs:], own[theirs:])) - low) / (2.0 * BAND)).clip(0.0, 1.0).sum(axis=1)
    late = step * float(shares[0] - shares[1])
    return late if late > 0.5 * LIKE_M else min(step * (_given(own, low, step) - theirs), 0.0) or late


def _given(throttle: Floats, level: float, step: float) -> int:
    """Return the first node from which the throttle stays above ``level`` for STAYS_M."""
    enough = max(round(STAYS_M / step), 1)
    for first, last in stretches(throttle >= level):
        if last - first + 1 >= enough or last == len(throttle) - 1:
            return first
    return len(throttle) - 1


def _holds(throttle: Floats, level: float, step: float) -> bool:
    """Return whether the throttle stays near ``level`` for longer than an application takes to pass it."""
    return step * float(np.count_nonzero(abs(throttle - level) < min(0.1, 0.5 * level))) > HOLD_M


def _lifted(own: Rows, ref: Rows, from_m: float, to_m: float) -> float:
    """Return the full-throttle metres lost to lifts on the exit, where the reference never lifts.

    A lift without another application, or that ends in braking, belongs to the next corner.
    """
    u = own.u
    inside = slice(int(u.searchsorted(from_m + 3.0, "right")), int(u.searchsorted(to_m, "right")))
    lack = ref.throttle[inside] - own.throttle[inside]
    if not len(lack) or largest(lack) <= LIFT:
        return 0.0
    braked = ((own.brake[inside] > BRAKE_ON) & ~(ref.brake[inside] > BRAKE_ON)).nonzero()[0]
    lack = lack[: int(braked[0]) + 1] if len(braked) else lack
    open_again = (lack <= LIFT).nonzero()[0]
    lack = lack[: int(open_again[-1]) + 1] if len(open_again) else lack[:0]
    return float(lack[lack > LIFT].sum() * (u[1] - u[0]))
