"""How a pass differs from the reference where a difference of two measures would be too coarse or too noisy.

Everything here is taken over stretches of the two traces, not at single places: how much later the throttle opens,
how many more metres are rolled without a pedal, how the path lies beside the reference's. NaN where a channel is
absent.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.measures import NAN, PEDAL_OFF
from coach.core.opening import STRAIGHTS_M, Rows, opening, throttle_gaps
from coach.core.trace import Trace
from coach.core.zones import Zone

BEGUN_M: Final = 3.0
MORE: Final = 0.1
"""A throttle that grows by this much from what it was BEGUN_M after its first touch no longer just holds the speed."""
SLIDE_M: Final = 20.0
"""Offsets are judged by their mean over this length: a wheel's width of wander is no line."""
ENTRY_TURN_RAD: Final = 0.6
LINE_M: Final = 0.7
NEARLY: Final = 0.7
RISE: Final = 0.75
STILL_MPS: Final = 0.3
"""Within this of the slowest speed the speed is held."""


def contrast(mine: Trace, theirs: Trace, zone: Zone, base_m: float, ours: dict[str, float]) -> dict[str, float]:
    """Differences of a pass (``mine``) from the reference over ``zone``, which lies in the reference's own lap.

    ``base_m`` is how far the pass's places are ahead of the reference's (whole laps); ``ours`` are the reference's
    measures. Both traces lie on the same nodes.
    """
    low = max(theirs.u_m[0], mine.u_m[0] - base_m)
    high = min(theirs.u_m[-1], mine.u_m[-1] - base_m)
    a, b = theirs.index(low), theirs.index(high)
    shift = mine.index(theirs.u_m[a] + base_m) - a
    own, ref = Rows(mine, slice(a + shift, b + shift + 1)), Rows(theirs, slice(a, b + 1))
    u = theirs.u_m[a : b + 1]
    out = throttle_gaps(u, own, ref, zone, ours)
    out |= _idle(u, own, ref, zone, ours, theirs.step_m)
    out |= _line(u, own, ref, zone, theirs.step_m)
    out |= _approach(u, own, ref, zone, ours)
    out |= _gears(u, own, ref, zone, ours)
    return out


def _idle(u: Floats, own: Rows, ref: Rows, zone: Zone, ours: dict[str, float], step: float) -> dict[str, float]:
    """More metres without a pedal than the reference: before it opens the throttle, and after; and the speed lost."""
    out = {"idle_before_m": NAN, "idle_after_m": NAN, "idle_slow": NAN, "idle_longest_m": NAN, "idle_lift_m": NAN}
    if not all(np.isfinite(x).all() for x in (own.throttle, own.brake, ref.throttle, ref.brake)):
        return out
    start = ours["throttle_start_m"]
    start = start if start == start else zone.apex_m
    # the reference's own first touch of the throttle
    first = opening(u, ref.throttle, PEDAL_OFF, min(start, ours["min_speed_at_m"]) - 15.0, start + 5.0)
    start = first if first == first else start
    # a throttle that only holds the slowest speed does not drive the car out yet
    slow = int(np.searchsorted(u, ours["min_speed_at_m"]))
    faster = np.flatnonzero(ref.speed[slow:] > ours["min_speed_mps"] + STILL_MPS)
    driving = float(u[slow + int(faster[0])]) if len(faster) else start
    begun = min(int(np.searchsorted(u, start + BEGUN_M)), len(u) - 1)
    more = np.flatnonzero(ref.throttle[begun:] > ref.throttle[begun] + MORE)
    driving = min(driving, float(u[begun + int(more[0])]) if len(more) else driving)
    opened = opening(u, own.throttle, PEDAL_OFF, min(start, ours["min_speed_at_m"]) - 15.0, driving + STRAIGHTS_M)
    # only who rolls while the reference holds and drives out with it has rolled; beyond that the throttle is late
    start = driving if start < driving < start + STRAIGHTS_M and opened < driving + BEGUN_M else start
    inside = (u >= zone.start_m - STRAIGHTS_M) & (u <= max(zone.end_m, start + 60.0))
    idle = (own.throttle < PEDAL_OFF) & (own.brake < PEDAL_OFF) & inside
    theirs = (ref.throttle < PEDAL_OFF) & (ref.brake < PEDAL_OFF) & inside
    before = u < start
    out["idle_before_m"] = step * float(np.count_nonzero(idle & before) - np.count_nonzero(theirs & before))
    out["idle_after_m"] = step * float(np.count_nonzero(idle & ~before) - np.count_nonzero(theirs & ~before))
    braked = np.flatnonzero((own.brake > 3.0 * PEDAL_OFF) & before & (u >= zone.start_m))
    if len(braked):
        out["idle_lift_m"] = step * float(np.count_nonzero(idle & (u < u[braked[0]])))
    mine = np.flatnonzero(idle)
    if len(mine) > 3:
        # mean slowing [m/s2] over the longest stretch without a pedal
        parts = np.split(mine, np.flatnonzero(np.diff(mine) > 1) + 1)
        longest = max(parts, key=len)
        out["idle_longest_m"] = step * float(len(longest))
        if len(longest) > 3:
            v = own.speed[longest]
            out["idle_slow"] = float((v[0] ** 2 - v[-1] ** 2) / (2.0 * step * (len(longest) - 1)))
    return out


def _approach(u: Floats, own: Rows, ref: Rows, zone: Zone, ours: dict[str, float]) -> dict[str, float]:
    """Speed brought along from before the corner, and how much earlier the car is as slow as the reference.

    ``brake_tail_m`` is the mean shift of the places at which both pass the same speeds in the second half of the
    braking: as large as the shift of the brake point when the same braking is done sooner, smaller when softer
    braking makes up for its earlier start.
    """
    at = min(_let_go(u, own, zone.start_m), _let_go(u, ref, zone.start_m))
    out = {"arrival_mps": float(np.interp(at, u, own.speed - ref.speed)), "brake_tail_m": NAN}
    start = ours["brake_start_m"]
    if start != start:
        return out
    last = int(np.searchsorted(u, ours["min_speed_at_m"]))
    last = min(last, len(u) - 1)
    mine = int(np.argmin(own.speed[: last + 1]))
    top = float(np.interp(start, u, ref.speed))
    low = max(float(own.speed[mine]), float(ref.speed[last]))
    if top - low < 3.0:
        return out
    shifts = []
    for share in (0.25, 0.35, 0.45):
        level = float(np.sqrt(low**2 + share * (top**2 - low**2)))
        here, there = _slowed(u, own.speed[: mine + 1], level), _slowed(u, ref.speed[: last + 1], level)
        if here == here and there == there:
            shifts.append(here - there)
    if shifts:
        out["brake_tail_m"] = float(np.mean(shifts))
    return out


def _let_go(u: Floats, rows: Rows, at_m: float) -> float:
    """Where the throttle was left of which ``at_m`` is driven without: a lift before the zone belongs to its corner."""
    here = int(u.searchsorted(at_m))
    given = np.flatnonzero(rows.throttle[: here + 1] >= PEDAL_OFF)
    return float(u[given[-1]]) if len(given) and given[-1] < here else at_m


def _slowed(u: Floats, speed: Floats, level: float) -> float:
    """The last place at which ``speed`` falls through ``level``."""
    above = np.flatnonzero(speed >= level)
    if not len(above) or above[-1] + 1 >= len(speed):
        return NAN
    i = int(above[-1])
    return float(u[i] + (u[i + 1] - u[i]) * (speed[i] - level) / max(speed[i] - speed[i + 1], 1e-9))


def _line(u: Floats, own: Rows, ref: Rows, zone: Zone, step: float) -> dict[str, float]:
    """The path beside the reference's: metres toward the outside before, at and after the apex; turn-in shift."""
    out = {"entry_line_m": NAN, "apex_line_m": NAN, "exit_line_m": NAN, "turn_in_m": NAN, "line_peak": NAN}
    if not (np.isfinite(own.offset).all() and np.isfinite(ref.curvature).all()):
        return out
    side = 1.0 if zone.corner.direction == "left" else -1.0
    beside = -side * own.offset
    n = max(int(SLIDE_M / step), 3)
    padded = np.concatenate((np.full(n // 2, beside[0]), beside, np.full(n // 2, beside[-1])))
    smooth = np.convolve(padded, np.ones(n) / n, mode="same")[n // 2 : n // 2 + len(u)]
    way_in = max(zone.apex_m - zone.turn_in_m, 20.0)
    way_out = max(zone.end_m - zone.apex_m, 20.0)
    parts = {
        "entry_line_m": (zone.turn_in_m - 30.0, zone.apex_m - 0.3 * way_in),
        "apex_line_m": (zone.apex_m - 0.3 * way_in, zone.apex_m + 0.3 * way_out),
        "exit_line_m": (zone.apex_m + 0.3 * way_out, min(zone.end_m + STRAIGHTS_M, zone.next_start_m)),
    }
    for name, (a, b) in parts.items():
        rows = smooth[u.searchsorted(a) : u.searchsorted(b, "right")]
        if len(rows):
            out[name] = float(rows[np.abs(rows).argmax()])
    inside = (u >= zone.turn_in_m - 30.0) & (u <= min(zone.end_m + STRAIGHTS_M, zone.next_start_m))
    if inside.any():
        size = np.where(inside, np.abs(smooth), 0.0)
        top = int(np.argmax(size))
        # the middle of the piece around the top that is nearly as far out: a flat top has no one place
        low = top - int(np.argmax(size[top::-1] < NEARLY * size[top])) + 1
        high = top + int(np.argmax(size[top:] < NEARLY * size[top]))
        peak = float(u[low:high] @ size[low:high] / max(float(size[low:high].sum()), 1e-9)) if high > low else u[top]
        out["line_peak"] = float(peak > zone.apex_m + max(0.3 * way_out, 10.0)) - float(
            peak < zone.apex_m - max(0.2 * way_in, 8.0)
        )
    turned = np.cumsum(np.where(u >= zone.turn_in_m - 40.0, np.maximum(side * ref.curvature, 0.0), 0.0)) * step
    early = (u >= zone.turn_in_m - 40.0) & (u <= zone.apex_m) & (turned <= ENTRY_TURN_RAD)
    if np.count_nonzero(early) > 5:
        # the reference's bend carried d metres on along the way in lies d sin(angle turned) farther out
        # it is taken from the rise alone, since no line stays that far out
        rising = np.abs(smooth[early])
        picked = early
        if rising.max() > LINE_M:
            last = int(np.flatnonzero(early)[0]) + int(np.argmax(rising >= RISE * rising.max()))
            picked = early & (np.arange(len(u)) <= last)
        lever = np.sin(turned[picked])
        if float(lever @ lever) > 0.02:
            out["turn_in_m"] = float(lever @ beside[picked] / (lever @ lever))
    return out


def _gears(u: Floats, own: Rows, ref: Rows, zone: Zone, ours: dict[str, float]) -> dict[str, float]:
    """Mean difference of gear on the way out, where the reference drives."""
    start = ours["throttle_start_m"]
    start = start if start == start else zone.apex_m
    on = (u >= start) & (u <= max(zone.end_m, start + 30.0))
    on = on & np.isfinite(own.gear) & np.isfinite(ref.gear)
    if np.count_nonzero(on) < 10:
        return {"gear_mean": NAN}
    return {"gear_mean": float((own.gear[on] - ref.gear[on]).mean())}
