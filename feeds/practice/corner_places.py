"""Corner places on the faultless lap (start, brake point, turn-in, apex, end): ground truth for a corner finder."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from feeds.frame import Floats
from feeds.practice.circuit import Circuit
from feeds.practice.speed_profile import Path

STRAIGHT_MPS2 = 2.0  # lateral acceleration below which a car counts as going straight
CORNER_MPS2 = 5.0  # and that a corner must reach
CORNER_DEG = 10.0
REGAIN_MPS = 4.0  # two bends the same way are two corners if the car gains this much speed between them


@dataclass(frozen=True)
class Places:
    """One corner of the faultless lap; places in metres along the centre line, in the order driven.

    Places run on over the finish line (they may be negative or exceed the length) so that they stay in order. ``sign``
    is +1 for left. ``brake_m`` is NaN where no brake is used; ``release_m`` where the brake is released, ``slowest_m``
    and ``slowest_mps`` the lowest speed, ``throttle_m`` where the throttle first opens, ``exit_m`` where it is wide
    open, ``outermost_m`` where the line is widest after the apex, ``end_m`` where the straight begins; ``before_m`` and
    ``after_m`` the slowest places of the corners before and after.
    """

    index: int
    name: str
    sign: int
    start_m: float
    turn_in_m: float
    apex_m: float
    slowest_m: float
    slowest_mps: float
    brake_m: float
    release_m: float
    throttle_m: float
    exit_m: float
    outermost_m: float
    end_m: float
    before_m: float
    after_m: float

    @property
    def direction(self) -> str:
        """``left`` or ``right``."""
        return "left" if self.sign > 0 else "right"

    @property
    def braked(self) -> bool:
        """Whether the faultless driver brakes for it."""
        return math.isfinite(self.brake_m)


def _spans(circuit: Circuit, path: Path, v: Floats) -> list[tuple[str, int, int]]:
    """Return name (empty if none was given), first and last node of each corner; nodes may exceed their number."""
    m, step = len(circuit), circuit.step_m
    if circuit.named:
        out = [(c.name, round(c.start_m / step), round(c.end_m / step)) for c in circuit.named]
        return [(name, a, b if b > a else b + m) for name, a, b in out]
    lateral = v * v * path.curvature_pm
    turning = np.where(np.abs(lateral) > STRAIGHT_MPS2, np.sign(lateral), 0.0)
    first = int(np.argmax(turning == 0.0))
    turning = np.roll(turning, -first)
    edges = np.flatnonzero(np.diff(turning, prepend=0.0, append=0.0))
    runs = [(int(a) + first, int(b) + first) for a, b in pairwise(edges) if turning[a]]
    joined: list[tuple[int, int]] = []
    for a, b in runs:
        if joined and _one_corner(path, v, joined[-1], (a, b)):
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    kept = []
    for a, b in joined:
        nodes = np.arange(a, b) % m
        angle = abs(float(np.sum(path.curvature_pm[nodes] * path.step_m[nodes])))
        if np.abs(lateral[nodes]).max() >= CORNER_MPS2 and math.degrees(angle) >= CORNER_DEG:
            kept.append((a, b))
    return [("", a, b) for a, b in kept]


def _one_corner(path: Path, v: Floats, one: tuple[int, int], two: tuple[int, int]) -> bool:
    """Return whether two bends are one corner: same direction and hardly any speed gained in between."""
    m = len(v)
    if path.curvature_pm[(one[0] + one[1]) // 2 % m] * path.curvature_pm[(two[0] + two[1]) // 2 % m] < 0:
        return False
    if two[0] - one[1] > 60:
        return False
    around = v[np.arange(one[0], two[1]) % m]
    low_one = int(np.argmin(around[: one[1] - one[0]]))
    low_two = two[0] - one[0] + int(np.argmin(around[two[0] - one[0] :]))
    return bool(around[low_one : low_two + 1].max() - max(around[low_one], around[low_two]) < REGAIN_MPS)


def _slowest(nodes: NDArray[np.intp], v: Floats, curvature: Floats) -> int:
    """Return the slowest node; where the speed only rises or falls through the corner, the one that loads
    the car most.
    """
    m = len(v)
    k = int(np.argmin(v[nodes % m]))
    if 3 <= k < len(nodes) - 3:
        return int(nodes[k])
    return int(nodes[np.argmax(np.abs(curvature[nodes % m]) * v[nodes % m] ** 2)])


def _apex(nodes: NDArray[np.intp], inside: Floats, slow: int) -> int:
    """Return where the line is nearest to the inside: the middle of the stretch, of several the one nearest the
    slowest.
    """
    near = nodes[inside > inside.max() - 0.12]
    groups = np.split(near, np.flatnonzero(np.diff(near) > 10) + 1)
    middles = [round(float(group.mean())) for group in groups]
    return min(middles, key=lambda k: abs(k - slow))


def _between(sign: int, curvature: Floats, one: int, two: int) -> int:
    """Return the node between two apexes where the curvature towards ``sign`` is least."""
    nodes = np.arange(one, two + 1)
    return int(nodes[np.argmin(sign * curvature[nodes % len(curvature)])])


def find_places(
    circuit: Circuit, offset_m: Floats, path: Path, v: Floats, throttle: Floats, brake: Floats
) -> tuple[Places, ...]:
    """Return the corners of the faultless lap, in order from the finish line; all arrays (m,)."""
    m, step = len(circuit), circuit.step_m
    found = []
    for name, a, b in _spans(circuit, path, v):
        nodes = np.arange(a, b + 1)
        sign = 1 if np.sum(path.curvature_pm[nodes % m]) > 0 else -1
        slowest = _slowest(nodes, v, path.curvature_pm)
        inside = sign * offset_m[nodes % m] - (circuit.left_m if sign > 0 else circuit.right_m)[nodes % m]
        apex_node = _apex(nodes, inside, slowest)
        # a corner belongs to the lap of its apex, even if it crosses the finish line
        turn = apex_node // m * m
        found.append((apex_node - turn, name, a - turn, b - turn, sign, slowest - turn))
    found.sort()
    apexes, signs, slow = [c[0] for c in found], [c[4] for c in found], [c[5] for c in found]
    spans = [(name or f"Turn {i + 1}", a, b) for i, (_, name, a, b, _, _) in enumerate(found)]
    out = []
    for i, (name, a, b) in enumerate(spans):
        k = len(spans)
        before = slow[i - 1] - (m if i == 0 else 0)
        after = slow[(i + 1) % k] + (m if i == k - 1 else 0)
        if k == 1:
            before, after = slow[0] - m, slow[0] + m
        low = _between(signs[i], path.curvature_pm, apexes[i - 1] - (m if i == 0 else 0), apexes[i])
        high = _between(signs[i], path.curvature_pm, apexes[i], apexes[(i + 1) % k] + (m if i == k - 1 else 0))
        lap = _Window(signs[i], path.curvature_pm, v, throttle, brake, m)
        reached = lap.places((a, b), apexes[i], slow[i], (before, after), (low, high), offset_m)
        start, turn_in, touch, *rest = (float(p * step) for p in reached)
        lowest_m, low_mps = float(slow[i] * step), float(v[slow[i] % m])
        begin, release, opened, wide_open, outermost, end = rest
        neighbours = float(before * step), float(after * step)
        out.append(
            Places(i, name, signs[i], start, turn_in, touch, lowest_m, low_mps, begin, release, opened, wide_open,
                   outermost, end, *neighbours)
        )  # fmt: skip
    return tuple(out)


@dataclass(frozen=True, eq=False)
class _Window:
    """The faultless lap around one corner; node numbers continue over the finish line."""

    sign: int
    curvature: Floats
    v: Floats
    throttle: Floats
    brake: Floats
    m: int

    def places(
        self,
        span: tuple[int, int],
        apex: int,
        slow: int,
        neighbours: tuple[int, int],
        bounds: tuple[int, int],
        offset: Floats,
    ) -> tuple[float, ...]:
        """Start, turn-in, apex; brake, release, throttle, exit, outermost, end: all in nodes."""
        before, after = neighbours
        bend = self.sign * self.curvature[np.arange(bounds[0], bounds[1] + 1) % self.m]
        least = 0.15 * float((self.sign * self.curvature[np.arange(span[0], span[1] + 1) % self.m]).max())
        turn_in = end = apex
        while turn_in > bounds[0] and bend[turn_in - 1 - bounds[0]] > least:
            turn_in -= 1
        while end < bounds[1] and bend[end + 1 - bounds[0]] > least:
            end += 1
        brake, release = self._braking(before, max(slow, apex), min(turn_in, slow) - 40)
        if math.isnan(release):
            release = float(min(slow, apex))
        throttle = int(release)
        while throttle < after and self.throttle[throttle % self.m] <= 0.05:
            throttle += 1
        exit_ = max(throttle, apex + 1)
        while exit_ < min(end, after) and self.throttle[exit_ % self.m] < 0.98:
            exit_ += 1
        stop = max(end + 60, exit_ + 1) if after - end > 120 else max((end + after) // 2, exit_ + 1)
        outermost = min(range(apex, stop), key=lambda k: self.sign * float(offset[k % self.m]))
        start = min(turn_in, brake) if math.isfinite(brake) else turn_in
        return start, turn_in, apex, brake, release, float(throttle), float(exit_), float(outermost), float(end)

    def _braking(self, before: int, stop: int, latest: int) -> tuple[float, float]:
        """Start of the braking that removes most speed, and the last release; NaN if none."""
        nodes = np.arange(before + 1, stop + 1)
        braking = nodes[self.brake[nodes % self.m] > 0.0]
        if not len(braking) or braking[-1] < latest:
            return math.nan, math.nan
        blocks = np.split(braking, np.flatnonzero(np.diff(braking) > 12) + 1)
        main = max(blocks, key=lambda block: float(self.v[block[0] % self.m] - self.v[(block[-1] + 1) % self.m]))
        return float(main[0]), float(blocks[-1][-1] + 1)
