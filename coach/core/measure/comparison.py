"""Compares a pass with the reference where a difference of two measures would be too coarse or too noisy.

Everything here uses stretches of the two traces, not single places: the delay of the throttle, the extra metres of
coasting, the offset of the path. NaN where a channel is absent.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.measure.measures import NAN, PEDAL_OFF
from coach.core.measure.throttle_application import STRAIGHTS_M, Rows, lift_off_m, opening, throttle_gaps
from coach.core.measure.trace import Trace
from coach.core.numeric.reductions import all_finite, largest, stretches
from coach.core.track.zones import Zone

BEGUN_M: Final = 3.0
MORE: Final = 0.1
"""Throttle increase over its value BEGUN_M after the first touch that means more than holding speed."""
SLIDE_M: Final = 20.0
"""Length over which offsets are averaged: small wander is not a line."""
ENTRY_TURN_RAD: Final = 0.6
LINE_M: Final = 0.7
NEARLY: Final = 0.7
RISE: Final = 0.75
STILL_MPS: Final = 0.3
"""Speed range above the minimum that counts as holding speed."""


def compare_to_reference(
    mine: Trace, theirs: Trace, zone: Zone, base_m: float, ours: dict[str, float]
) -> dict[str, float]:
    """Return the differences of a pass (``mine``) from the reference over ``zone``, which lies in the reference's own
    lap.

    ``base_m`` is how far the pass's places are ahead of the reference's (whole laps); ``ours`` are the reference's
    measures. Both traces lie on the same nodes.
    """
    low = max(theirs.u_m[0], mine.u_m[0] - base_m)
    high = min(theirs.u_m[-1], mine.u_m[-1] - base_m)
    a, b = theirs.index(low), theirs.index(high)
    shift = mine.index(theirs.u_m[a] + base_m) - a
    u = theirs.u_m[a : b + 1]
    own = Rows(u, mine, slice(a + shift, b + shift + 1))
    ref = theirs.looked_at.get((a, b))
    if ref is None:
        ref = theirs.looked_at[a, b] = Rows(u, theirs, slice(a, b + 1))
    out = pedal_gaps(own, ref, zone, ours, theirs.step_m)
    out |= line_gaps(own, ref, zone, theirs.step_m)
    out["arrival_mps"] = _arrival(own, ref, zone)
    return out


def pedal_gaps(own: Rows, ref: Rows, zone: Zone, ours: dict[str, float], step: float) -> dict[str, float]:
    """Return the differences of pedals and gear over the same nodes, ``step`` m apart."""
    out = throttle_gaps(own, ref, zone, ours)
    out |= _idle(own, ref, zone, ours, step)
    return out | _gears(own, ref, zone, ours)


def _idle(own: Rows, ref: Rows, zone: Zone, ours: dict[str, float], step: float) -> dict[str, float]:
    """Return extra metres of coasting before and after the reference opens the throttle, and the speed lost."""
    out = {"idle_before_m": NAN, "idle_after_m": NAN, "idle_slow": NAN, "idle_longest_m": NAN, "idle_lift_m": NAN}
    if not (own.has_pedals and ref.has_pedals):
        return out
    u = own.u
    start, driving = _driving(ref, zone, ours)
    opened = opening(own, PEDAL_OFF, min(start, ours["min_speed_at_m"]) - 15.0, driving + STRAIGHTS_M)
    # it is coasting only while the reference holds speed with the throttle; beyond that the throttle is late
    start = driving if start < driving < start + STRAIGHTS_M and opened < driving + BEGUN_M else start
    inside = own.inside(zone.start_m - STRAIGHTS_M, max(zone.end_m, start + 60.0))
    idle = (own.throttle[inside] < PEDAL_OFF) & (own.brake[inside] < PEDAL_OFF)
    theirs = (ref.throttle[inside] < PEDAL_OFF) & (ref.brake[inside] < PEDAL_OFF)
    first, before = inside.start, max(int(u.searchsorted(start)) - inside.start, 0)
    out["idle_before_m"] = step * float(np.count_nonzero(idle[:before]) - np.count_nonzero(theirs[:before]))
    out["idle_after_m"] = step * float(np.count_nonzero(idle[before:]) - np.count_nonzero(theirs[before:]))
    into = int(u.searchsorted(zone.start_m))
    braked = (own.brake[into : first + before] > 3.0 * PEDAL_OFF).nonzero()[0]
    if len(braked):
        out["idle_lift_m"] = step * float(np.count_nonzero(idle[: into + int(braked[0]) - first]))
    if np.count_nonzero(idle) > 3:
        # mean deceleration [m/s2] over the longest stretch of coasting
        a, b = max(stretches(idle), key=lambda run: run[1] - run[0])
        out["idle_longest_m"] = step * float(b - a + 1)
        if b - a > 2:
            v, w = own.speed[first + a], own.speed[first + b]
            out["idle_slow"] = float((v**2 - w**2) / (2.0 * step * (b - a)))
    return out


def _driving(ref: Rows, zone: Zone, ours: dict[str, float]) -> tuple[float, float]:
    """Return where the reference first touches the throttle, and where it stops just holding its minimum speed."""
    known = ref.found.get(("driving", zone.corner))
    if known is not None:
        return known  # type: ignore[no-any-return]
    u = ref.u
    start = ours["throttle_start_m"]
    start = start if start == start else zone.apex_m
    first = opening(ref, PEDAL_OFF, min(start, ours["min_speed_at_m"]) - 15.0, start + 5.0)
    start = first if first == first else start
    slow = int(np.searchsorted(u, ours["min_speed_at_m"]))
    faster = np.flatnonzero(ref.speed[slow:] > ours["min_speed_mps"] + STILL_MPS)
    driving = float(u[slow + int(faster[0])]) if len(faster) else start
    begun = min(int(np.searchsorted(u, start + BEGUN_M)), len(u) - 1)
    more = np.flatnonzero(ref.throttle[begun:] > ref.throttle[begun] + MORE)
    driving = min(driving, float(u[begun + int(more[0])]) if len(more) else driving)
    ref.found["driving", zone.corner] = start, driving
    return start, driving


def _arrival(own: Rows, ref: Rows, zone: Zone) -> float:
    """Return the speed excess carried into the corner [m/s]."""
    u = own.u
    # a lift before the zone belongs to the corner
    at = min(lift_off_m(own, zone.start_m), lift_off_m(ref, zone.start_m))
    around = slice(max(int(u.searchsorted(at)) - 1, 0), int(u.searchsorted(at)) + 1)
    return float(np.interp(at, u[around], own.speed[around] - ref.speed[around]))


def line_gaps(own: Rows, ref: Rows, zone: Zone, step: float) -> dict[str, float]:
    """Return the path beside the reference's: metres toward the outside before, at and after the apex;
    turn-in shift.
    """
    out = {"entry_line_m": NAN, "apex_line_m": NAN, "exit_line_m": NAN, "turn_in_m": NAN, "line_peak": NAN}
    if not all_finite(own.offset):
        return out
    u, turned = own.u, _turned(ref, zone, step)
    if turned is None:
        return out
    side = 1.0 if zone.corner.direction == "left" else -1.0
    beside = -side * own.offset
    smooth = _sliding_mean(beside, max(int(SLIDE_M / step), 3))
    apexes = zone.apexes_m
    first_m, last_m = apexes[0], apexes[-1]
    way_in = max(first_m - zone.turn_in_m, 20.0)
    way_out = max(zone.end_m - last_m, 20.0)
    parts = {
        "entry_line_m": (zone.turn_in_m - 30.0, first_m - 0.3 * way_in),
        "apex_line_m": (first_m - 0.3 * way_in, last_m + 0.3 * way_out),
        "exit_line_m": (last_m + 0.3 * way_out, min(zone.end_m + STRAIGHTS_M, zone.next_start_m)),
    }
    if len(apexes) > 1:
        # between two apexes the line is free
        reach = [0.3 * way_in, *(0.3 * (b - a) for a, b in pairwise(apexes)), 0.3 * way_out]
        named = [f"apex_{n}_line_m" for n in range(1, len(apexes) + 1)]
        spans = zip(apexes, reach[:-1], reach[1:], strict=True)
        parts |= dict(zip(named, ((at - before, at + after) for at, before, after in spans), strict=True))
    for name, (a, b) in parts.items():
        rows = smooth[own.inside(a, b)]
        if len(rows):
            out[name] = float(rows[np.abs(rows).argmax()])
    if len(apexes) > 1:
        out["apex_line_m"] = max((out[name] for name in named if name in out), key=abs, default=NAN)
    inside = own.inside(zone.turn_in_m - 30.0, min(zone.end_m + STRAIGHTS_M, zone.next_start_m))
    if inside.start < inside.stop:
        size = np.zeros(len(u))
        np.abs(smooth[inside], out=size[inside])
        top = int(size.argmax())
        # the middle of the nearly flat top, as a flat top has no single place
        low = top - int((size[top::-1] < NEARLY * size[top]).argmax()) + 1
        high = top + int((size[top:] < NEARLY * size[top]).argmax())
        peak = float(u[low:high] @ size[low:high] / max(float(size[low:high].sum()), 1e-9)) if high > low else u[top]
        out["line_peak"] = float(peak > last_m + max(0.3 * way_out, 10.0)) - float(
            peak < first_m - max(0.2 * way_in, 8.0)
        )
    first, lever = turned
    if len(lever) > 5:
        # the reference's bend shifted by d metres along the approach lies d sin(angle turned) farther out fit the rise
        # alone, since no line stays that far out
        rising = np.abs(smooth[first : first + len(lever)])
        if (most := largest(rising)) > LINE_M:
            lever = lever[: int((rising >= RISE * most).argmax()) + 1]
        weight = float(lever @ lever)
        if weight > 0.02:
            out["turn_in_m"] = float(lever @ beside[first : first + len(lever)] / weight)
    return out


def _turned(ref: Rows, zone: Zone, step: float) -> tuple[int, Floats] | None:
    """Return the first node of the entry and the sines of the angle turned from there; None without a line."""
    known = ref.found.get(("turned", zone.corner))
    if known is not None:
        return known  # type: ignore[no-any-return]
    if not all_finite(ref.curvature):
        return None
    side = 1.0 if zone.corner.direction == "left" else -1.0
    begin = int(ref.u.searchsorted(zone.turn_in_m - 40.0))
    angle = np.maximum(side * ref.curvature[begin:], 0.0).cumsum() * step
    early = (ref.u[begin:] <= zone.apexes_m[0]) & (angle <= ENTRY_TURN_RAD)
    ref.found["turned", zone.corner] = begin, np.sin(angle[early])
    return ref.found["turned", zone.corner]  # type: ignore[no-any-return]


def _sliding_mean(values: Floats, n: int) -> Floats:
    """Return the means over ``n`` nodes around each; the end values extend outward."""
    half, length = n // 2, len(values)
    padded = np.empty(length + 2 * half)
    padded[:half], padded[half : half + length], padded[half + length :] = values[0], values, values[-1]
    return np.correlate(padded, np.full(n, 1.0 / n), "valid")[:length]


def _gears(own: Rows, ref: Rows, zone: Zone, ours: dict[str, float]) -> dict[str, float]:
    """Return the mean gear difference on the exit, where the reference accelerates."""
    start = ours["throttle_start_m"]
    start = start if start == start else zone.apex_m
    exit_nodes = own.inside(start, max(zone.end_m, start + 30.0))
    more = own.gear[exit_nodes] - ref.gear[exit_nodes]
    if not all_finite(more):
        more = more[np.isfinite(more)]
    return {"gear_mean": float(more.sum()) / len(more) if len(more) >= 10 else NAN}
