"""Measures of one corner: the same definitions for a pass and for the reference.

Places are metres along the reference, relative to lap 0's line (they run on over laps); NaN where their channel is
absent or the event did not occur.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.measure.trace import Trace
from coach.core.numeric.reductions import all_finite, any_finite, largest, least, stretches, zero_for_absent
from coach.core.track.zones import Zone
from coach.core.values import MOST_APEXES

NAN: Final = float("nan")
SAME_HIT_M: Final = 8.0
"""Largest gap within one intervention of a driver aid, which cycles several times a second [m]."""

BRAKE_ON: Final = 0.05
"""Least pedal position that counts as braking; a resting foot stays below (common practice, no source)."""
ONSET: Final = 0.1
"""Braking starts and ends at this share of its peak."""
SAME_BRAKING_M: Final = 8.0
"""Largest gap within one braking [m]."""
MAIN: Final = 0.3
"""Least share of the largest braking's pedal times distance for a separate braking."""
THROTTLE_ON: Final = 0.3
"""Least throttle that accelerates out of the corner; less only holds speed (common practice, no source)."""
FULL: Final = 0.95
PEDAL_OFF: Final = 0.05
CUT_S: Final = 0.4
"""Longest throttle lift during a gear change (common practice, no source)."""
APEX_M: Final = 12.0
"""The offset at an apex is the least this near to it [m]."""
TURNED_M: Final = 25.0
"""The search for the slowest place starts this far before the turn-in [m]."""
TURN_SHARE: Final = 0.3
"""Turn-in is where the path reaches this share of the corner's largest curvature."""

PLACES: Final = (
    "brake_start_m",
    "brake_release_m",
    "turn_in_m",
    "min_speed_at_m",
    "throttle_start_m",
    "full_throttle_m",
    *(f"apex_{n}_speed_at_m" for n in range(1, MOST_APEXES + 1)),
)
"""Measures that are places: reported within the lap, and shifted by whole laps."""


def measure(trace: Trace, zone: Zone) -> dict[str, float]:
    """Return all measures of one corner; ``trace`` must reach from the zone's start to its end at least."""
    first, last = trace.index(zone.start_m), trace.index(zone.end_m)
    out = brake_and_speed(trace, zone)
    out.update(_throttle(trace, zone, out))
    out["turn_in_m"] = _turn_in(trace, zone)
    out.update(_line(trace, zone))
    if zone.corner.more_apexes_m:
        out.update(_apexes(trace, zone))
    out["coast_s"] = _coast(trace, first, last)
    out["gear_min"] = -_most(-trace.gear[first : last + 1])
    out["corrections"] = _corrections(trace, zone)
    out["wheels_off"] = _most(trace.wheels_off[first : last + 1])
    out["traction_control_hits"] = _hits(trace.traction_control[first : last + 1], trace.step_m)
    out["anti_lock_hits"] = _hits(trace.anti_lock[first : last + 1], trace.step_m)
    return out


def brake_and_speed(trace: Trace, zone: Zone) -> dict[str, float]:
    """Return the measures of a corner's braking and speeds alone."""
    last = trace.index(zone.end_m)
    return _braking(trace, last, zone) | _speed(trace, zone, last)


def _most(values: Floats) -> float:
    """Return the largest finite value, NaN if there is none."""
    top = largest(values)
    return top if top == top else float(np.fmax.reduce(values))


def _crossing(x: Floats, y: Floats, i: int, level: float) -> float:
    """Return where ``y`` passes ``level`` between nodes ``i`` and ``i + 1``."""
    y0, y1 = float(y[i]), float(y[i + 1])
    if y1 == y0:
        return float(x[i])
    here = float(x[i])
    return here + min(max((level - y0) / (y1 - y0), 0.0), 1.0) * (float(x[i + 1]) - here)


def _braking(trace: Trace, last: int, zone: Zone) -> dict[str, float]:
    """Return start, peak and release of the corner's braking."""
    nothing = {"brake_start_m": NAN, "brake_peak": NAN, "brake_release_m": NAN}
    brake = trace.brake[: last + 1]
    if not any_finite(brake):
        return nothing
    brake = zero_for_absent(brake)
    u = trace.u_m[: last + 1]
    # braking that ends before the zone belongs to the previous corner, after the apex to the next one
    runs = [
        r for r in stretches(brake > BRAKE_ON) if u[r[1]] > zone.start_m and u[r[0]] <= max(zone.apex_m, zone.turn_in_m)
    ]
    joined: list[tuple[int, int]] = []
    for a, b in runs:
        if joined and u[a] - u[joined[-1][1]] < SAME_BRAKING_M:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    if not joined:
        return {"brake_start_m": NAN, "brake_peak": 0.0, "brake_release_m": NAN}
    a, b = joined[0]
    if len(joined) > 1:
        work = [float(brake[a : b + 1].sum()) for a, b in joined]
        # of several real brakings take the one nearest to the corner's brake point, for pass and reference alike
        real = [r for r, w in zip(joined, work, strict=True) if w >= MAIN * max(work)]
        place = zone.brake_m if zone.brake_m == zone.brake_m else zone.turn_in_m
        a, b = min(real, key=lambda r: abs(float(u[r[0]]) - place))
    peak = largest(brake[a : b + 1])
    level = max(BRAKE_ON, ONSET * peak)
    above = (brake[a : b + 1] >= level).nonzero()[0]
    on, off = a + int(above[0]), a + int(above[-1])
    start = _crossing(u, brake, on - 1, level) if on else float(u[0])
    release = _crossing(u, brake, off, level) if off + 1 < len(u) else float(u[-1])
    return {"brake_start_m": start, "brake_peak": peak, "brake_release_m": release}


def _speed(trace: Trace, zone: Zone, last: int) -> dict[str, float]:
    low = trace.index(zone.turn_in_m - TURNED_M)
    v = trace.speed_mps[low : last + 1]
    i = low + int(v.argmin())
    return {
        "min_speed_mps": float(trace.speed_mps[i]),
        "min_speed_at_m": float(trace.u_m[i]),
        "exit_speed_mps": float(trace.speed_mps[last]),
        "turn_in_speed_mps": trace.at("speed_mps", zone.turn_in_m),
    }


def _apexes(trace: Trace, zone: Zone) -> dict[str, float]:
    """Return the lowest speed, its place and the least offset at each apex of a corner that has several.

    What lies nearer to another apex belongs to that one.
    """
    apexes = zone.apexes_m
    edges = [zone.turn_in_m - TURNED_M, *(0.5 * (a + b) for a, b in pairwise(apexes)), zone.end_m]
    side = 1.0 if zone.corner.direction == "left" else -1.0
    out: dict[str, float] = {}
    for n, (apex, low, high) in enumerate(zip(apexes, edges[:-1], edges[1:], strict=True), start=1):
        a, b = trace.index(low), trace.index(high)
        i = a + int(trace.speed_mps[a : b + 1].argmin())
        near = slice(trace.index(apex - APEX_M), trace.index(apex + APEX_M) + 1)
        out[f"apex_{n}_speed_mps"], out[f"apex_{n}_speed_at_m"] = float(trace.speed_mps[i]), float(trace.u_m[i])
        out[f"apex_{n}_offset_m"] = least(-side * trace.offset_m[near])
    return out


def _throttle(trace: Trace, zone: Zone, got: dict[str, float]) -> dict[str, float]:
    """Return where the exit throttle begins, and where it is full.

    Searches backwards from the first full throttle after the slowest point, and skips throttle that only holds speed
    mid-corner, or a dab on entry.
    """
    nothing = {"throttle_start_m": NAN, "full_throttle_m": NAN}
    if not any_finite(trace.throttle):
        return nothing
    u, throttle = trace.u_m, zero_for_absent(trace.throttle)
    from_m = got["min_speed_at_m"]
    if from_m != from_m:
        from_m = zone.apex_m
    released = got["brake_release_m"]
    low = trace.index(min(released if released == released else zone.turn_in_m, from_m))
    tail = throttle[low:]
    top = largest(tail) if len(tail) else 0.0
    if top < THROTTLE_ON:
        return nothing
    full_at = (tail >= FULL * top).nonzero()[0]
    # full throttle that holds: a short stab does not count
    full = low + int(full_at[0])
    for i in full_at:
        ahead = throttle[low + int(i) : low + int(i) + 15]
        if least(ahead) > THROTTLE_ON:
            full = low + int(i)
            break
    start = float(u[low])
    for first, last in reversed(stretches(throttle[low : full + 1] < THROTTLE_ON)):
        # a gear change does not restart the exit
        if not first or trace.t_s[low + last] - trace.t_s[low + first] > CUT_S:
            start = _crossing(u, throttle, low + last, THROTTLE_ON)
            break
    return {
        "throttle_start_m": start,
        "full_throttle_m": float(u[full]) if full == low else _crossing(u, throttle, full - 1, FULL * top),
    }


def _turn_in(trace: Trace, zone: Zone) -> float:
    """Return where the path first reaches TURN_SHARE of its largest curvature toward the apex."""
    if not any_finite(trace.curvature_pm):
        return NAN
    side = 1.0 if zone.corner.direction == "left" else -1.0
    low, top = trace.index(zone.turn_in_m - 40.0), trace.index(zone.apex_m + 10.0)
    bend = side * trace.curvature_pm[low : top + 1]
    most = int(bend.argmax())
    level = TURN_SHARE * float(bend[most])
    under = (bend[:most] < level).nonzero()[0]
    if level <= 0.0 or not len(under):
        return NAN
    return _crossing(trace.u_m[low : top + 1], bend, int(under[-1]), level)


def _line(trace: Trace, zone: Zone) -> dict[str, float]:
    """Return offsets toward the outside of the corner [m]: least near the apex, and mean around the exit."""
    side = 1.0 if zone.corner.direction == "left" else -1.0
    a, b = trace.index(zone.apex_m - APEX_M), trace.index(zone.apex_m + APEX_M)
    c, d = trace.index(zone.exit_m - 5.0), trace.index(zone.exit_m + 5.0)
    near_apex, near_exit = -side * trace.offset_m[a : b + 1], -side * trace.offset_m[c : d + 1]
    return {"apex_offset_m": least(near_apex), "exit_offset_m": float(near_exit.sum()) / len(near_exit)}


def _coast(trace: Trace, first: int, last: int) -> float:
    """Return the time with neither pedal [s]."""
    throttle, brake = trace.throttle[first : last + 1], trace.brake[first : last + 1]
    if not (any_finite(throttle) and any_finite(brake)):
        return NAN
    idle = (zero_for_absent(throttle) < PEDAL_OFF) & (zero_for_absent(brake) < PEDAL_OFF)
    t = trace.t_s[first : last + 1]
    return float((t[1:] - t[:-1])[idle[:-1] & idle[1:]].sum())


def _hits(flag: Floats, step_m: float) -> float:
    """Return how often a driver aid intervened; interventions under SAME_HIT_M apart are one. NaN without the flag."""
    if not len(flag):
        return NAN
    on = flag.nonzero()[0]
    return float((np.diff(on) * step_m > SAME_HIT_M).sum()) + 1.0 if len(on) else 0.0


def _corrections(trace: Trace, zone: Zone) -> float:
    """Return times the steering reversed by a tenth of its range between turn-in and exit."""
    a, b = trace.index(zone.turn_in_m), trace.index(zone.exit_m)
    steer = trace.steer[a : b + 1]
    if len(steer) < 5 or not all_finite(steer):
        return NAN
    swing = 0.1 * max(largest(steer), -least(steer))
    count, direction = 0, 0
    high = low = float(steer[0])
    for value in steer.tolist():
        high, low = max(high, value), min(low, value)
        if direction >= 0 and value < high - swing:
            count += direction > 0
            direction, low = -1, value
        elif direction <= 0 and value > low + swing:
            count += direction < 0
            direction, high = 1, value
    # one reversal is the corner itself: lock on, lock off
    return float(max(count - 1, 0))
