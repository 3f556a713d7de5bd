"""The best of the driver's own lines: at each corner that of the lap whose line allows the least time there.

Corners joined by a straight shorter than a change of line takes are chosen together. On the straights one line turns
into the next; the curvature of that is in the speed, so a hasty change costs its time.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.numeric.smoothing import fade
from coach.core.track.envelope import Envelope
from coach.core.track.reference import Reference
from coach.core.track.road import Road
from coach.core.track.speed_profile import speed_profile, travel_time
from coach.core.track.zones import Zone
from coach.survey.envelope.samples import Samples

JOIN_M: Final = 60.0
"""Least length of a change of line (common practice, no source)."""
COARSE: Final = 3
"""Nodes of the reference in one of the comparison of laps: a few metres. It saves time and moves no lap."""


@dataclass(frozen=True, eq=False)
class Line:
    """A line beside the reference's: ``offset_m`` (n,) to the left [m], its road, and the samples' row of the lap it
    follows at each node (n,).
    """

    offset_m: Floats
    road: Road
    rows: tuple[int, ...]


def best_line(
    samples: Samples, reference: Reference, zones: tuple[Zone, ...], own: int, envelope: Envelope
) -> Line | None:  # fmt: skip
    """Return the line of the best laps, corner by corner, ``own`` being the row of the reference's lap; None if that
    one's is the best everywhere.
    """
    groups = _groups(zones, reference)
    times = _times(samples, groups, reference, own, envelope)
    chosen = tuple(int(np.argmin(column)) for column in times.T)
    if not groups or all(row == own for row in chosen):
        return None
    step, n = reference.step_m, len(reference)
    weights = _weights(groups, reference)
    offset, curvature = np.zeros(n), np.zeros(n)
    rows = np.asarray(chosen)[np.argmax(weights, axis=0)]
    for row, weight in zip(chosen, weights, strict=True):
        d, k = _closed(samples.offset_m[row], samples.curvature[row], reference)
        first, second = _slopes(weight, step, reference.closed)
        offset += weight * d
        curvature += weight * k + 2.0 * first * _slopes(d, step, reference.closed)[0] + second * d
    away = _slopes(offset, step, reference.closed)[0]
    steps = step * np.hypot(1.0 - reference.curvature_pm * offset, away)
    return Line(offset, samples.road.with_line(steps, curvature), tuple(rows.tolist()))


def _groups(zones: tuple[Zone, ...], reference: Reference) -> list[tuple[Zone, Zone]]:
    """Return the first and the last corner of each group with straights shorter than JOIN_M."""
    if not zones:
        return []
    cuts = [i for i, zone in enumerate(zones) if zone.straight_m >= JOIN_M]
    if not reference.closed:
        cuts = sorted({*cuts, len(zones) - 1})
        return [(zones[a + 1], zones[b]) for a, b in pairwise([-1, *cuts])]
    if len(cuts) < 2:
        return []
    length = reference.length_m
    out = [(zones[a + 1], zones[b]) for a, b in pairwise(cuts)]
    head = cuts[0]
    if cuts[-1] == len(zones) - 1:
        return [(zones[0], zones[head]), *out]
    # a group over the line begins in the lap before
    return [*out, (zones[cuts[-1] + 1], zones[head].shifted(length))]


def _times(
    samples: Samples, groups: list[tuple[Zone, Zone]], reference: Reference, own: int, envelope: Envelope
) -> Floats:  # fmt: skip
    """Return the least time of each lap's line through each group and the straight after it [s], (laps, groups).

    All begin at the speed that the reference lap's own line allows: a faster corner before is no merit of this one.
    """
    step, road = COARSE * reference.step_m, samples.road
    n = len(reference) // COARSE * COARSE

    def thin(values: Floats) -> Floats:
        return np.asarray(values[:n].reshape(-1, COARSE).mean(axis=1))

    weight, lift, slope = (thin(a) for a in (road.weight, road.lift_pm, road.slope_mps2))
    roads = []
    for k, d in zip(samples.curvature, samples.offset_m, strict=True):
        steps = step * thin(np.hypot(1.0 - reference.curvature_pm * d, np.gradient(d, reference.step_m)))
        roads.append(Road(steps, thin(k), weight, lift, slope, reference.closed))
    start = speed_profile(roads[own], envelope)
    out = np.empty((len(roads), len(groups)))
    for j, (first, last) in enumerate(groups):
        nodes = np.arange(round(first.start_m / step), round(last.next_start_m / step) + 1)
        begin = float(start[nodes[0] % len(start)])
        for i, one in enumerate(roads):
            piece = one.at(nodes)
            out[i, j] = travel_time(piece, speed_profile(piece, envelope, start_mps=begin))[-1]
    return out


def _weights(groups: list[tuple[Zone, Zone]], reference: Reference) -> Floats:
    """Return the weight of each group's line at each node, (groups, n), together 1: it changes along the straights."""
    places: Floats = np.arange(len(reference), dtype=np.float64) * reference.step_m
    out = np.zeros((len(groups), len(places)))
    for i, (first, last) in enumerate(groups):
        before = groups[i - 1][1] if i or reference.closed else None
        after = groups[(i + 1) % len(groups)][0] if i + 1 < len(groups) or reference.closed else None
        come = np.ones_like(places) if before is None else _ramp(places, before.end_m, first.start_m, reference)
        go = np.zeros_like(places) if after is None else _ramp(places, last.end_m, after.start_m, reference)
        held = _within(places, first.start_m, last.end_m, reference)
        out[i] = np.where(held, 1.0, np.where(np.isnan(come), np.where(np.isnan(go), 0.0, 1.0 - go), come))
        if before is None:
            out[i] = np.where(places < first.start_m, 1.0, out[i])
        if after is None:
            out[i] = np.where(places > last.end_m, 1.0, out[i])
    return np.asarray(out / out.sum(axis=0))


def _ahead(places: Floats, begin_m: float, reference: Reference) -> Floats:
    return np.asarray(np.mod(places - begin_m, reference.length_m) if reference.closed else places - begin_m)


def _within(places: Floats, begin_m: float, end_m: float, reference: Reference) -> NDArray[np.bool_]:
    ahead = _ahead(places, begin_m, reference)
    span = end_m - begin_m
    return np.asarray((ahead >= 0.0) & (ahead <= span))


def _ramp(places: Floats, begin_m: float, end_m: float, reference: Reference) -> Floats:
    """Return 0 to 1 from one place to another without a jump of the second slope, NaN elsewhere."""
    span = float(_ahead(np.array([end_m]), begin_m, reference)[0])
    ahead = _ahead(places, begin_m, reference)
    u = ahead / max(span, reference.step_m)
    return np.where((u >= 0.0) & (u <= 1.0), fade(u), np.nan)


def _closed(offset: Floats, curvature: Floats, reference: Reference) -> tuple[Floats, Floats]:
    """Return a lap's line whose end meets its beginning, half of the misfit taken off each over JOIN_M."""
    if not reference.closed:
        return offset, curvature
    miss = float(offset[-1] - offset[0])
    places = np.arange(len(offset)) * reference.step_m
    fix = np.zeros_like(offset)
    for far, sign in ((places, 0.5), (places[-1] - places, -0.5)):
        fix += sign * miss * (1.0 - fade(np.clip(far / JOIN_M, 0.0, 1.0)))
    return offset + fix, curvature + _slopes(fix, reference.step_m, False)[1]


def _slopes(values: Floats, step: float, closed: bool) -> tuple[Floats, Floats]:
    """Return the first and second derivative of values (n,) along the nodes."""
    if not closed:
        first = np.gradient(values, step)
        return first, np.gradient(first, step)
    ahead, behind = np.roll(values, -1), np.roll(values, 1)
    return (ahead - behind) / (2.0 * step), (ahead - 2.0 * values + behind) / step**2
