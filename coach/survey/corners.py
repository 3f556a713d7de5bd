"""Finds corners by the driver's lateral acceleration and speed, on any circuit and car.

All thresholds refer to the driver's own envelope, never a constant of a car: the *share* of a place is its lateral
acceleration (curvature times speed squared, smoothed over 0.15 s of travel) divided by TOP_QUANTILE of the lap.

0. Two brakings are two corners: where, within one loaded stretch, the speed has two minima with a rise of RISE of both
   between them, and the second is braked for, the stretch is parted at the fastest place between (``Lane.parted``);
   no rule below joins what is parted. A dip without braking is a lift in one corner: its apexes stay together, as a
   driver has one entry to it.
1. A peak of the share of at least HIGH is a candidate; one of at least LOW_PEAK too, if the speed has a minimum there
   that lies DIP below both sides. Its stretch reaches to where the share falls below LOW on either side; the
   heading must change by MIN_TURN within it (a fast kink that does not load the car is not a corner; nor is a change of
side on a straight).
2. Two candidates of the same direction, none of the other between, are one corner (double apex) if the share
   between never falls below VALLEY of the smaller peak (the car is never straight); or if the
   curvature never falls below VALLEY of the second's and the speed never by DIP for the second (the way out of the
   first, loaded by the growing speed); or else if the car is straight for
   less than STRAIGHT_S, the speed between rises by less than RISE over the faster of both, and full throttle is held
   for less than FULL_S.
3. A weak opposite stretch (SWING_TURN, SWING_SHARE of its neighbour) within STRAIGHT_S of a stronger corner is the
   swing into or out of it, no corner.
4. Two corners of opposite direction are one (a chicane taken in one flick) if their apexes lie within CHICANE_M and the
   speed does not rise by RISE between. Wider chicanes stay two corners: each has a line of its own to coach.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.numeric.reductions import stretches
from coach.survey.smooth import peaks

TOP_QUANTILE: Final = 0.97
HIGH: Final = 0.3
LOW_PEAK: Final = 0.2
LOW: Final = 0.15
DIP: Final = 0.08
MIN_TURN: Final = math.radians(7.0)
DIP_TURN: Final = math.radians(12.0)
VALLEY: Final = 0.4
STRAIGHT_S: Final = 1.0
RISE: Final = 0.08
FULL_S: Final = 0.7
PRESSED: Final = 0.05
BRAKED_S: Final = 0.2
SWING_TURN: Final = math.radians(14.0)
SWING_SHARE: Final = 0.6
CHICANE_M: Final = 35.0
_SMOOTH_S: Final = 0.15


@dataclass(frozen=True)
class Lane:
    """A lap unrolled for the finder, shapes (n,): a closed one begins on its longest straight.

    ``first`` is the reference node where the lane begins, ``share`` is signed (left +). ``parted`` are nodes that split
    a loaded stretch, shape (m,).
    """

    first: int
    step_m: float
    speed: Floats
    curvature: Floats
    share: Floats
    throttle: Floats
    brake: Floats
    clock: Floats
    parted: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))


@dataclass(frozen=True)
class Stretch:
    """One corner found: nodes of the lane; ``peaks`` are the places of most lateral acceleration, in order."""

    start: int
    stop: int
    sign: int
    peaks: tuple[int, ...]
    turn: float
    height: float


def lane(step_m: float, speed: Floats, curvature: Floats, throttle: Floats, brake: Floats, closed: bool) -> Lane:
    """Unroll a lap; all shapes (n,)."""
    v = np.maximum(speed, 1.0)
    lateral = _smoothed(curvature * v * v, v, step_m, closed)
    top = max(float(np.quantile(np.abs(lateral), TOP_QUANTILE)), 1.0)
    share = lateral / top
    first = _straightest(np.abs(share) < LOW) if closed else 0
    rows = [np.roll(row, -first) for row in (v, curvature, share, throttle, brake)]
    clock = np.concatenate([[0.0], np.cumsum(step_m / rows[0])[:-1]])
    smooth_k = _smoothed(rows[1], rows[0], step_m, closed)
    parted = _parted(rows[0], rows[2], rows[4], clock)
    return Lane(first, step_m, rows[0], smooth_k, rows[2], rows[3], rows[4], clock, parted)


def _parted(v: Floats, share: Floats, brake: Floats, clock: Floats) -> NDArray[np.intp]:
    """Return rule 0: the fastest node between two minima of the speed in one loaded stretch, if the second is braked
    for.
    """
    dips, _ = peaks(-np.log(v), prominence=math.log1p(RISE))
    out = []
    for a, b in pairwise(dips.tolist()):
        loaded = share[a : b + 1] * np.sign(share[a])
        fastest = a + int(np.argmax(v[a : b + 1]))
        pressed = stretches(brake[fastest : b + 1] > PRESSED)
        braked = any(clock[fastest + j] - clock[fastest + i] >= BRAKED_S for i, j in pressed)
        if braked and float(loaded.min()) >= LOW:
            out.append(fastest)
    return np.array(out, dtype=np.intp)


def _smoothed(y: Floats, v: Floats, step_m: float, closed: bool) -> Floats:
    """Return a moving mean over about _SMOOTH_S of travel, twice; its half-width follows the speed."""
    n = len(y)
    half = np.minimum(np.round(0.5 * _SMOOTH_S * v / step_m).astype(np.intp), (n - 1) // 4)
    for _ in range(2):
        pad = int(half.max())
        wide = np.pad(y, pad, mode="wrap" if closed else "edge")
        total = np.concatenate([[0.0], np.cumsum(wide)])
        i = np.arange(n) + pad
        y = (total[i + half + 1] - total[i - half]) / (2 * half + 1)
    return y


def _straightest(straight: NDArray[np.bool_]) -> int:
    """Return the middle of the longest straight run on the closed lap."""
    if straight.all() or not straight.any():
        return 0
    turn = int(np.argmin(straight))
    rolled = np.roll(straight, -turn).astype(np.int8)
    edge = np.flatnonzero(np.diff(np.concatenate([[0], rolled, [0]])))
    a, b = edge[::2], edge[1::2]
    k = int(np.argmax(b - a))
    return int((a[k] + b[k]) // 2 + turn) % len(straight)


def find(lap: Lane) -> list[Stretch]:
    """Return the corners of a lap in order along the lane."""
    found = sorted(_candidates(lap, 1) + _candidates(lap, -1), key=lambda c: c.peaks[0])
    found = _double_apexes(lap, found)
    found = _without_swings(lap, found)
    # without a swing, its neighbours may be two apexes of one corner
    found = _double_apexes(lap, found)
    return _chicanes(lap, found)


def _candidates(lap: Lane, sign: int) -> list[Stretch]:
    y = np.maximum(lap.share * sign, 0.0)
    y[lap.parted] = 0.0
    tops, _ = peaks(np.concatenate([[0.0], y, [0.0]]), 0.1, LOW_PEAK)
    found = []
    for p in (tops - 1).tolist():
        start, stop = _reach(y, p, LOW)
        turn = float(lap.curvature[start:stop].sum() * lap.step_m * sign)
        matters = y[p] >= HIGH and turn >= MIN_TURN
        dips = turn >= DIP_TURN and _dip(lap.speed, start, stop) >= DIP
        if matters or dips:
            found.append(Stretch(start, stop, sign, (p,), turn, float(y[p])))
    return found


def _reach(y: Floats, p: int, floor: float) -> tuple[int, int]:
    below = np.flatnonzero(y[:p] < floor)
    start = int(below[-1]) + 1 if len(below) else 0
    after = np.flatnonzero(y[p:] < floor)
    stop = p + int(after[0]) if len(after) else len(y)
    return start, stop


def _dip(v: Floats, start: int, stop: int) -> float:
    """Return how far the lowest speed of a stretch lies below the lower of the highest speeds within 150
    nodes around.
    """
    k = start + int(np.argmin(v[start:stop]))
    before, after = v[max(0, start - 150) : k + 1].max(), v[k : stop + 150].max()
    return float(1.0 - v[k] / min(before, after))


def _one(lap: Lane, a: Stretch, b: Stretch) -> bool:
    """Return rule 2: whether two neighbours of the same direction are one corner."""
    p, q = a.peaks[-1], b.peaks[0]
    if np.any((lap.parted > p) & (lap.parted < q)):
        return False
    y = lap.share[p : q + 1] * a.sign
    if float(y.min()) >= VALLEY * min(float(y[0]), float(y[-1])):
        return True
    v = lap.speed
    fastest = p + int(np.argmax(v[p : q + 1]))
    bend = lap.curvature[p : q + 1] * a.sign
    if float(v[fastest : b.stop].min()) > (1.0 - DIP) * float(v[fastest]) and float(bend.min()) >= VALLEY * float(
        bend[-1]
    ):
        return True
    low = max(float(v[a.start : p + 1].min()), float(v[q : b.stop].min()))
    rise = float(v[p : q + 1].max()) / max(low, 1.0) - 1.0
    straight_s = float((y < LOW).sum() * lap.step_m / v[p : q + 1].mean())
    full_s = 0.0
    if np.isfinite(lap.throttle[p : q + 1]).all():
        full_s = float(((lap.throttle[p : q + 1] > 0.95) * lap.step_m / v[p : q + 1]).sum())
    return straight_s < STRAIGHT_S and rise < RISE and full_s < FULL_S


def _joined(a: Stretch, b: Stretch) -> Stretch:
    return Stretch(
        min(a.start, b.start), max(a.stop, b.stop), a.sign, a.peaks + b.peaks, max(a.turn, b.turn),
        max(a.height, b.height),
    )  # fmt: skip


def _double_apexes(lap: Lane, found: list[Stretch]) -> list[Stretch]:
    out: list[Stretch] = []
    for c in found:
        if out and out[-1].sign == c.sign and _one(lap, out[-1], c):
            out[-1] = _joined(out[-1], c)
        elif out and out[-1].sign == c.sign and out[-1].stop > c.start:
            # split two corners in one stretch where the load is least
            p, q = out[-1].peaks[-1], c.peaks[0]
            middle = p + int(np.argmin(lap.share[p : q + 1] * c.sign))
            out[-1] = replace(out[-1], stop=middle)
            out.append(replace(c, start=middle))
        else:
            out.append(c)
    return [replace(c, turn=float(lap.curvature[c.start : c.stop].sum() * lap.step_m * c.sign)) for c in out]


def _without_swings(lap: Lane, found: list[Stretch]) -> list[Stretch]:
    out = []
    for k, c in enumerate(found):
        swing = False
        for other in found[max(0, k - 1) : k] + found[k + 1 : k + 2]:
            a, b = (other, c) if other.start < c.start else (c, other)
            gap_s = float(lap.clock[min(b.start, len(lap.clock) - 1)] - lap.clock[min(a.stop, len(lap.clock) - 1)])
            near = other.sign != c.sign and gap_s < STRAIGHT_S
            weak = c.turn < SWING_TURN and c.height < SWING_SHARE * other.height and c.turn < 0.5 * other.turn
            swing = swing or (near and weak)
        if not swing:
            out.append(c)
    return out


def _chicanes(lap: Lane, found: list[Stretch]) -> list[Stretch]:
    out: list[Stretch] = []
    for c in found:
        if out and out[-1].sign != c.sign:
            p, q = out[-1].peaks[-1], c.peaks[0]
            v = lap.speed[p : q + 1]
            if (q - p) * lap.step_m < CHICANE_M and float(v.max()) < (1 + RISE) * max(float(v[0]), float(v[-1])):
                first = out[-1]
                out[-1] = Stretch(
                    first.start, c.stop, first.sign, first.peaks + c.peaks, first.turn, max(first.height, c.height)
                )
                continue
        out.append(c)
    return out
