"""Finds the places of a corner (brake, turn-in, apex, exit, end), its gear and apex kind.

- apex: the middle of the tightest piece (curvature of at least TIGHT of the most), weighted by high powers of
  curvature and slowness: the middle of an arc of one radius, the peak of a narrowing one, drawn to where the car
  is slowest. With noise the piece may be looser, the power of the curvature lower, and the curvature is first averaged
  over a share of the corner. Of two apexes the tighter; within TIE the later one.
- more apexes: the tightest pieces around the other minima of the speed between turn-in and end, where the car is faster
  by APEX_RISE between two of them: a driver lifts or waits for each. Apexes without such a rise are indistinguishable.
- turn-in and end: where the lateral acceleration falls below EDGE of the nearest peak's, before and after.
- exit: where full throttle begins that is held to the end; where it never lifts, or no throttle is known, where the
  lateral acceleration has fallen to half of the last peak's.
- brake: the start of the braking that takes off most speed before the apex (above PRESSED, pauses under PAUSE_S
  bridged), not before the apex of the corner before; NaN without one. Braking after which full throttle was held for
  FULL_S before turn-in belongs to something else.
- apex kind: the share of the way from turn-in to end at which half of the turning is done. On a late line the car
  is turned first and let run out later, so the half is done early: below 0.5 - KIND late, above 0.5 + KIND early.
- boards: none. No recording tells which boards stand at a circuit, or where: a person enters them.
- order: brake <= turn-in <= apex <= exit <= end, and a corner ends where the next one's braking (or turn-in)
  begins at the latest. A brake pressed after turn-in is the more useful place: turn-in is moved to it. Places run on
  beyond the length where a corner lies over the finish line; its first place lies within the lap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import msgspec
import numpy as np
from scipy.ndimage import uniform_filter1d

from coach.core.columns import Floats
from coach.core.numeric.reductions import stretches
from coach.core.track.reference import Reference
from coach.core.values import MOST_APEXES, ApexKind, Corner, Direction
from coach.survey.corners import LOW, Lane, Stretch
from coach.survey.smooth import peaks

TIGHT: Final = 0.8
LOOSEST: Final = 0.7
NOISE: Final = 5.0
NARROW: Final = 0.06
ONE: Final = 0.75
SHARP: Final = 0.2
LEAST_POWER: Final = 5.0
MOST_POWER: Final = 20.0
SPEED_POWER: Final = 60.0
TIE: Final = 0.9
APEX_RISE: Final = 0.015
EDGE: Final = 0.2
PRESSED: Final = 0.05
PAUSE_S: Final = 0.5
FULL: Final = 0.95
FULL_S: Final = 1.0
SHORTEST_BRAKE_S: Final = 0.2
KIND: Final = 0.06


def corners_of(reference: Reference, lap: Lane, found: list[Stretch], lateral_noise: float) -> tuple[Corner, ...]:
    """Return corners named T1.. in driving order along the reference; ``lateral_noise`` of k v^2 [m/s2]."""
    rough = [_places(lap, c, lateral_noise) for c in found]
    gears = np.roll(reference.gear, -lap.first)
    spans: list[Span] = []
    for k, (c, (turn_in, apex, end, more)) in enumerate(zip(found, rough, strict=True)):
        floor = rough[k - 1][1] if k else 0
        brake = brake_start(lap, floor, turn_in, apex)
        exit_ = exit_start(lap, c.peaks, apex, end)
        spans.append(
            Span(
                direction="left" if c.sign > 0 else "right", brake=brake, turn_in=turn_in, apex=apex,
                exit=exit_, end=end,
                gear=lowest_gear(gears[turn_in : exit_ + 1]), kind=_kind(lap, turn_in, end, c.sign),
                more=more,
            )
        )  # fmt: skip
    return ordered(reference, lap, spans)


@dataclass
class Span:
    """One corner's places in nodes of the lane."""

    direction: Direction
    brake: float
    turn_in: float
    apex: float
    exit: float
    end: float
    gear: int | None
    kind: ApexKind | None
    more: tuple[int, ...] = ()
    """Further apexes."""

    @property
    def first(self) -> float:
        """Its start: brake, or turn-in without one."""
        return self.turn_in if math.isnan(self.brake) else self.brake


def ordered(reference: Reference, lap: Lane, spans: list[Span]) -> tuple[Corner, ...]:
    """Return the corners from spans: places in order, no two corners overlapping, named in driving order
    from the line.
    """
    n = len(lap.speed)
    for k, span in enumerate(spans):
        # a corner needs an exit: the next one begins at least a node beyond its apex
        least = spans[k - 1].apex + 1 if k else -math.inf
        if not math.isnan(span.brake):
            span.brake = min(max(span.brake, least), span.apex)
            span.turn_in = min(max(span.turn_in, span.brake), span.apex)
        span.turn_in = min(max(span.turn_in, least), span.apex)
    for k, span in enumerate(spans):
        last = k + 1 == len(spans)
        limit = spans[0].first + n if last and reference.closed else math.inf if last else spans[k + 1].first
        span.end = max(min(span.end, limit), span.apex)
        span.exit = min(max(span.exit, span.apex), span.end)
    out = []
    for span in spans:
        shift = lap.first * reference.step_m
        if reference.closed and shift + span.first * reference.step_m >= reference.length_m:
            shift -= reference.length_m
        brake, turn_in, apex, exit_, end = (
            round(shift + node * reference.step_m, 2)
            for node in (span.brake, span.turn_in, span.apex, span.exit, span.end)
        )
        out.append(
            Corner(
                name="", direction=span.direction, brake_m=brake, turn_in_m=turn_in, apex_m=apex, exit_m=exit_,
                end_m=end, gear=span.gear, apex=span.kind,
                more_apexes_m=tuple(
                    round(shift + node * reference.step_m, 2)
                    for node in span.more
                    if span.turn_in < node < span.end and node != span.apex
                ),
            )
        )  # fmt: skip
    out.sort(key=lambda corner: corner.apex_m)
    if out and reference.closed:
        # across the line, rounded places may exceed the length by the rounding; a profile rounds to 0.1 m
        first = out[0].turn_in_m if math.isnan(out[0].brake_m) else out[0].brake_m
        most = math.floor((first + reference.length_m) * 10.0) / 10.0
        end = min(out[-1].end_m, most)
        out[-1] = msgspec.structs.replace(out[-1], end_m=end, exit_m=min(out[-1].exit_m, end))
    return tuple(msgspec.structs.replace(corner, name=f"T{k}") for k, corner in enumerate(out, start=1))


def _places(lap: Lane, c: Stretch, lateral_noise: float) -> tuple[int, int, int, tuple[int, ...]]:
    """Return turn-in, apex, end, and further apexes."""
    y = np.abs(lap.share)
    k = np.abs(lap.curvature)
    first, last = c.peaks[0], c.peaks[-1]
    turn_in = first
    floor = EDGE * y[first]
    while turn_in > 0 and y[turn_in - 1] >= floor and lap.share[turn_in - 1] * lap.share[first] > 0:
        turn_in -= 1
    end = last
    floor = EDGE * y[last]
    while end < len(y) - 1 and y[end + 1] >= floor and lap.share[end + 1] * lap.share[last] > 0:
        end += 1
    # neighbours in one stretch share its split point
    turn_in = max(turn_in, min(c.start, first) - 40) if turn_in < c.start else turn_in
    several = _slow_places(lap, c, turn_in, end, lateral_noise)
    apexes = several or _apexes(lap, c, lateral_noise)
    most = max(k[a] for a in apexes)
    apex = max(a for a in apexes if k[a] >= TIE * most)
    near = sorted((a for a in several if a != apex), key=lambda a: abs(a - apex))[: MOST_APEXES - 1]
    return min(turn_in, apex), apex, max(end, apex), tuple(sorted(near))


def _slow_places(lap: Lane, c: Stretch, turn_in: int, end: int, lateral_noise: float) -> list[int]:
    """Return the apexes of a corner that a driver lifts or waits for several times; none if only once."""
    first, last = max(turn_in, c.start), min(end + 1, c.stop)
    slow, _ = peaks(-np.log(lap.speed[first:last]), prominence=math.log1p(APEX_RISE))
    slow = first + slow[lap.share[first + slow] * c.sign >= LOW]
    if len(slow) < 2:
        return []
    fast = [int(a + np.argmax(lap.speed[a : b + 1])) for a, b in pairwise(slow)]
    out = []
    for p, low, high in zip(slow.tolist(), [first, *fast], [*fast, last], strict=True):
        noise = lateral_noise / float(abs(lap.curvature[p]) * lap.speed[p] ** 2)
        out.append(_tightest(np.abs(lap.curvature), lap.speed, [p], replace(c, start=low, stop=high), noise))
    return out


def _apexes(lap: Lane, c: Stretch, lateral_noise: float) -> list[int]:
    """Return the apexes of a corner: peaks with a valley of less than ONE between are one, others are ripple."""
    y = np.abs(lap.share)
    groups: list[list[int]] = []
    for p in c.peaks:
        if groups:
            last = groups[-1][-1]
            valley = float(y[last : p + 1].min())
            if lap.share[last] * lap.share[p] > 0 and valley >= ONE * min(float(y[last]), float(y[p])):
                groups[-1].append(p)
                continue
        groups.append([p])
    k = np.abs(lap.curvature)
    return [
        _tightest(k, lap.speed, group, c, lateral_noise / float(k[group[0]] * lap.speed[group[0]] ** 2))
        for group in groups
    ]


def _tightest(k: Floats, speed: Floats, peaks: list[int], c: Stretch, noise: float) -> int:
    """Return the middle of the tightest piece around ``peaks``; ``noise`` is the relative one of the curvature."""
    wide = min(max(NOISE * noise, NARROW), 1.0 - LOOSEST)
    slack = max(wide, 1.0 - TIGHT)
    half = max(int(0.4 * wide * (c.stop - c.start)), 1)
    a, b = max(c.start - half, 0), min(c.stop + half, len(k))
    y = uniform_filter1d(k[a:b], 2 * half + 1, mode="nearest")
    low, high = c.start - a, c.stop - a
    left, right = high, low
    for p in peaks:
        top = min(max(p - a, low), high - 1)
        # up to the top of this peak, across ripples above the slack
        while True:
            first, last = _around(y, top, low, high, (1.0 - slack) * y[top])
            left, right = min(left, first), max(right, last)
            best = first + int(np.argmax(y[first : last + 1]))
            if best == top:
                break
            top = best
    here = y[left : right + 1]
    power = min(max(SHARP / max(noise, 1e-9), LEAST_POWER), MOST_POWER)
    weight = (here / here.max()) ** power
    # weight slow places more. Speed is far less noisy than curvature, and at the grip limit curvature goes with the
    # inverse square of speed: weight lost by noise in one goes to the other
    v = speed[a + left : a + right + 1]
    weight *= (v.min() / v) ** (SPEED_POWER + 2.0 * (MOST_POWER - power))
    return a + round(float((weight * np.arange(left, right + 1)).sum() / weight.sum()))


def _around(y: Floats, top: int, low: int, high: int, floor: float) -> tuple[int, int]:
    under = np.flatnonzero(y[low:top] < floor)
    left = low + int(under[-1]) + 1 if len(under) else low
    over = np.flatnonzero(y[top:high] < floor)
    right = top + int(over[0]) - 1 if len(over) else high - 1
    return left, max(right, top)


def exit_start(lap: Lane, peaks: tuple[int, ...], apex: int, end: int) -> int:
    """Return where full throttle held to ``end`` begins, else where the load has fallen to half."""
    throttle = lap.throttle[apex : end + 1]
    if len(throttle) and np.isfinite(throttle).all() and throttle[-1] >= FULL:
        lifted = np.flatnonzero(throttle < FULL)
        if len(lifted):
            return apex + int(lifted[-1]) + 1
    y = np.abs(lap.share)
    last = max(peaks[-1], apex)
    after = np.flatnonzero(y[last : end + 1] < 0.5 * y[peaks[-1]])
    return last + int(after[0]) if len(after) else end


def brake_start(lap: Lane, floor: int, turn_in: int, apex: int) -> float:
    """Return where the last braking before the apex began (a fraction of a node), not before ``floor``; NaN if none."""
    brake = lap.brake[floor : apex + 1]
    if not np.isfinite(brake).all():
        return math.nan
    on = brake > PRESSED
    clock = lap.clock[floor : apex + 1]
    spells: list[tuple[int, int]] = []
    for a, last in stretches(on):
        b = min(last + 1, len(clock) - 1)
        if spells and clock[a] - clock[spells[-1][1]] < PAUSE_S:
            spells[-1] = (spells[-1][0], b)
        else:
            spells.append((a, b))
    spells = [(a, b) for a, b in spells if clock[b] - clock[a] >= SHORTEST_BRAKE_S]
    spells = [(a, b) for a, b in spells if not _driven_on(lap, floor + b, turn_in)]
    if not spells:
        return math.nan
    v = lap.speed[floor : apex + 1]
    a, _ = max(spells, key=lambda spell: float(v[spell[0]] - v[spell[1]]))
    if a == 0:
        return float(floor)
    # interpolated: where the pedal passed PRESSED
    return floor + a - 1 + float((PRESSED - brake[a - 1]) / max(brake[a] - brake[a - 1], 1e-9))


def _driven_on(lap: Lane, released: int, turn_in: int) -> bool:
    after = slice(released, turn_in)
    throttle = lap.throttle[after]
    full = (throttle > FULL) * lap.step_m / lap.speed[after]
    return bool(np.isfinite(throttle).all()) and float(full.sum()) > FULL_S


def lowest_gear(gear: Floats) -> int | None:
    """Return the lowest forward gear; None if no gear is known."""
    known = gear[np.isfinite(gear) & (gear > 0)]
    return int(known.min()) if len(known) else None


def _kind(lap: Lane, turn_in: int, end: int, sign: int) -> ApexKind:
    turned = np.cumsum(np.maximum(lap.curvature[turn_in : end + 1] * sign, 0.0))
    if len(turned) < 3 or turned[-1] <= 0:
        return "mid"
    half = float(np.interp(0.5, turned / turned[-1], np.arange(len(turned)))) / (len(turned) - 1)
    return "late" if half < 0.5 - KIND else "early" if half > 0.5 + KIND else "mid"
