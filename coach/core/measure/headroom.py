"""Headroom: time a corner's typical pass leaves to the reachable lap, by phase, and what to work on.

The driven speed bounds the reachable one in one phase after another, in causal order: the cost of each bound belongs to
its phase, including its effect on the straight after the corner. The remainder belongs to the straight. So the parts
add up to the whole.
"""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from coach.core.columns import Floats
from coach.core.measure.grip_use import phase_places
from coach.core.track.envelope import Envelope
from coach.core.track.road import Road
from coach.core.track.speed_profile import speed_profile
from coach.core.track.zones import Zone

ORDER: Final = ("middle", "entry", "braking", "exit")
"""A slow mid-corner causes a soft entry and early braking; a late throttle follows them."""
SOFT_USE: Final = 0.92
"""Braking below this share of the car's limit is soft rather than early (common practice, no source)."""
SOONER_M: Final = 5.0
"""Braking this much too early explains coasting: the tolerance of a brake point [m]."""
ROLLED_S: Final = 0.2
"""Least duration of coasting (common practice, no source)."""
LEAST_S: Final = 0.02
"""Least headroom of a cause in a phase [s]."""


class Headroom(msgspec.Struct, frozen=True):
    """Time per lap that a corner and its straight leave to the reachable lap [s]; ``low_s``, ``high_s`` the 90 %
    interval.

    ``parts`` are those of braking, entry, middle, exit and straight. ``phase`` has most of it (empty if nothing stands
    out), ``fault`` names what to work on there, ``amount`` its size: m/s mid-corner, metres of brake point or throttle,
    share of the braking.
    """

    corner: int
    total_s: float
    low_s: float
    high_s: float
    parts: dict[str, float]
    phase: str
    fault: str
    amount: float


class TypicalPass(msgspec.Struct, frozen=True):
    """A typical pass: standard error of its time [s], use of grip while braking and on entry, throttle point, seconds
    of coasting; NaN where unknown.
    """

    spread_s: float
    braking_use: float
    entry_use: float
    throttle_m: float
    coast_s: float


class CornerRoad:
    """The road of one corner and the straight after it, from its zone's start to the next zone's."""

    def __init__(self, road: Road, zone: Zone, reach_mps: Floats) -> None:
        step = float(road.step_m[0])
        first, last = round(zone.start_m / step), max(round(zone.next_start_m / step), round(zone.start_m / step) + 2)
        at = np.arange(first, last + 1)
        self.road = road.at(at)
        self.u_m: Floats = np.asarray(at * step, dtype=np.float64)
        self.zone = zone
        self.reach = reach_mps[at % len(road) if road.closed else np.clip(at, 0, len(road) - 1)]

    def fastest(self, envelope: Envelope, cap: Floats | None = None, margin: float = 1.0) -> Floats:
        """Return the fastest speed through it, entered and left as the reachable lap does; ``cap`` (n,) bounds it
        [m/s].
        """
        begin, end = margin * float(self.reach[0]), margin * float(self.reach[-1])
        return speed_profile(self.road, envelope, start_mps=begin, end_mps=end, cap=cap)

    def seconds(self, speed: Floats) -> float:
        """Return the time through it at ``speed`` (n,) [s]."""
        return float(np.sum(2.0 * self.road.step_m[:-1] / (speed[1:] + speed[:-1])))


def headroom(
    corner: int,
    here: CornerRoad,
    envelope: Envelope,
    draws: tuple[Envelope, ...],
    driven_mps: Floats,
    usual: TypicalPass,
) -> Headroom:
    """Return the headroom of one corner for the typical pass ``driven_mps`` (n,) on its nodes."""
    fast = here.fastest(envelope)
    total = here.seconds(driven_mps) - here.seconds(fast)
    parts = phase_parts(here, envelope, fast, driven_mps)
    parts["straight"] = total - sum(parts.values())
    errors = [here.seconds(driven_mps) - here.seconds(here.fastest(one, margin=1.02)) - total for one in draws]
    wide = float(np.hypot(np.std(errors) if errors else 0.0, usual.spread_s))
    phase = max(ORDER, key=lambda name: parts[name])
    if parts[phase] < LEAST_S:
        return Headroom(corner, total, total - 1.645 * wide, total + 1.645 * wide, parts, "", "", 0.0)
    fault, amount = _cause(here, phase, fast, driven_mps, usual)
    return Headroom(corner, total, total - 1.645 * wide, total + 1.645 * wide, parts, phase, fault, amount)


def phase_parts(here: CornerRoad, envelope: Envelope, fast: Floats, driven_mps: Floats) -> dict[str, float]:
    """Return the time that the driven speed (n,) costs in each phase of ORDER [s], ``fast`` (n,) being the fastest."""
    phases = phase_places(here.zone, here.zone.start_m)
    cap = np.full(len(fast), np.inf)
    parts, before = {}, here.seconds(fast)
    for phase in ORDER:
        low, high = phases.get(phase, (np.inf, -np.inf))
        if phase == "exit":
            high = here.zone.end_m
        inside = (here.u_m >= low) & (here.u_m <= high)
        cap = np.where(inside, np.minimum(cap, driven_mps), cap)
        after = here.seconds(here.fastest(envelope, np.minimum(cap, 1e3)))
        parts[phase] = after - before
        before = after
    return parts


def _cause(here: CornerRoad, phase: str, fast: Floats, driven: Floats, usual: TypicalPass) -> tuple[str, float]:
    """Return the fault behind a phase's headroom, and its amount."""
    if phase == "middle":
        corner = (here.u_m >= here.zone.turn_in_m) & (here.u_m <= here.zone.end_m)
        return "slow_middle", max(float(fast[corner].min() - driven[corner].min()), 0.0)
    if phase == "exit":
        slowest = float(here.u_m[int(np.argmin(np.where(here.u_m <= here.zone.end_m, fast, np.inf)))])
        return "throttle_late", max(usual.throttle_m - slowest, 0.0) if usual.throttle_m == usual.throttle_m else 0.0
    if phase == "braking" and usual.braking_use < SOFT_USE:
        return "brake_soft", 1.0 - usual.braking_use
    sooner = _sooner(here, fast, driven)
    if phase == "entry" and sooner < SOONER_M and usual.coast_s > ROLLED_S:
        return "coasting", usual.coast_s * float(driven.min())
    if phase == "entry" and usual.braking_use < min(SOFT_USE, usual.entry_use):
        # soft braking goes on into the corner; the same braking done early leaves the grip of the entry
        return "brake_soft", 1.0 - usual.braking_use
    return "brake_early", sooner


def _sooner(here: CornerRoad, fast: Floats, driven: Floats) -> float:
    """Return how many metres earlier the driven speed falls than the fastest one, half-way down to turn-in or apex."""
    before = here.u_m <= here.zone.apex_m
    u, slow, quick = here.u_m[before], driven[before], fast[before]
    top = int(np.argmax(slow))
    half = 0.5 * (float(slow[top]) + float(slow[top:].min()))
    first, second = (top + int(np.argmax(row[top:] <= half)) for row in (slow, quick))
    return max(float(u[second] - u[first]), 0.0)
