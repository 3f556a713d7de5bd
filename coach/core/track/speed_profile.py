"""The fastest speed along a line within an envelope: corner limit, forward with the engine, backward with the brake.

Quasi-steady point mass; forward and backward integration with combined grip (the method of Kapania, Subosits and Gerdes
2016, J. Dyn. Sys., Meas., Control 138(9), 091005, from memory), each step by Heun's rule. On a closed line the slowest
node reaches its own limit regardless of the start, so one lap from there is steady.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.track.envelope import SLOWEST_MPS, Envelope, GripLimit
from coach.core.track.road import Road

TOP_MPS: Final = 150.0
_FLOOR: Final = SLOWEST_MPS**2


def corner_limit(road: Road, envelope: Envelope) -> Floats:
    """Return the highest speed that each node's curvature allows [m/s], shape (n,); raise ValueError if the lateral
    limit is unknown.
    """
    left, right = _known(envelope.left, "cornering"), _known(envelope.right, "cornering")
    rows = zip(road.curvature_pm.tolist(), road.weight.tolist(), road.lift_pm.tolist(), strict=True)
    limits = [(left if k > 0.0 else right).corner_speed(abs(k), weight, lift) for k, weight, lift in rows]
    return np.asarray(np.clip(limits, SLOWEST_MPS, TOP_MPS))


def speed_profile(
    road: Road, envelope: Envelope, *, start_mps: float = TOP_MPS, end_mps: float = TOP_MPS, cap: Floats | None = None
) -> Floats:
    """Return the speed at each node [m/s], shape (n,), of the fastest lap along ``road`` within ``envelope``.

    ``start_mps`` and ``end_mps`` bound the ends of an open road; ``cap`` (n,) [m/s] bounds every node. Raise ValueError
    naming the missing part of an incomplete envelope.
    """
    brake = _known(envelope.brake, "braking")
    if envelope.power_wpkg is None:
        raise ValueError("acceleration is unknown: never near full throttle")
    square = corner_limit(road, envelope) ** 2
    if cap is not None:
        square = np.minimum(square, np.maximum(cap, SLOWEST_MPS) ** 2)
    n = len(road)
    first = int(np.argmin(square)) if road.closed else 0
    order = (first + np.arange(n + 1 if road.closed else n)) % n
    v2: list[float] = square[order].tolist()
    if not road.closed:
        v2[0], v2[-1] = min(v2[0], start_mps**2), min(v2[-1], end_mps**2)
    step = road.step_m[order].tolist()
    bend, weight, lift, slope = (
        a[order].tolist() for a in (road.curvature_pm, road.weight, road.lift_pm, road.slope_mps2)
    )
    _forward(v2, step, bend, weight, lift, slope, envelope)
    _backward(v2, step, bend, weight, lift, slope, envelope, brake)
    out = np.empty(n)
    out[order[:n]] = np.sqrt(v2[:n])
    if road.closed:
        # the lap starts and ends at the slowest node; use the speed reached at the end
        out[first] = math.sqrt(min(v2[0], v2[n]))
    return out


def travel_time(road: Road, speed_mps: Floats) -> Floats:
    """Return the time at each node from node 0 [s], shape (n + 1,) on a closed road (the last is the lap),
    else (n,).
    """
    v = np.append(speed_mps, speed_mps[0]) if road.closed else speed_mps
    step = road.step_m if road.closed else road.step_m[:-1]
    return np.concatenate(([0.0], np.cumsum(2.0 * step / (v[1:] + v[:-1]))))


def _known(limit: GripLimit | None, what: str) -> GripLimit:
    if limit is None:
        raise ValueError(f"{what} is unknown: the driver never came near a limit there")
    return limit


def _free(v2: float, bend: float, load: float, envelope: Envelope) -> float:
    """Return the share of longitudinal grip left by cornering."""
    side = envelope.left if bend > 0.0 else envelope.right
    assert side is not None
    seen = min(v2, side.fastest_mps**2)
    used = abs(bend) * v2 / (side.base_mps2 * load + side.aero_pm * seen)
    if used >= 1.0:
        return 0.0
    p = envelope.exponent
    return math.sqrt(1.0 - used * used) if p == 2.0 else float((1.0 - used**p) ** (1.0 / p))


def _grip(limit: GripLimit, v2: float, load: float) -> float:
    return limit.base_mps2 * load + limit.aero_pm * min(v2, limit.fastest_mps**2)


def _forward(
    v2: list[float], step: list[float], bend: list[float], weight: list[float], lift: list[float], slope: list[float],
    envelope: Envelope,
) -> None:  # fmt: skip
    """Limit ``v2`` to what the engine reaches from node to node."""
    power, drag, roll = envelope.power_wpkg or 0.0, envelope.drag_pm, envelope.rolling_mps2
    put_down = envelope.traction

    def pull(k: int, square: float) -> float:
        reach = power / math.sqrt(square)
        if put_down is not None:
            load = max(weight[k] + lift[k] * square, 0.1)
            reach = min(reach, _grip(put_down, square, load) * _free(square, bend[k], load, envelope))
        return reach - drag * square - roll - slope[k]

    for k in range(len(v2) - 1):
        here, cap = v2[k], v2[k + 1]
        first = pull(k, here)
        ahead = max(here + 2.0 * first * step[k], _FLOOR)
        if ahead > cap:
            # cap at the corner limit and evaluate the tyres at that speed
            ahead = cap
        ahead = here + (first + pull(k + 1, ahead)) * step[k]
        v2[k + 1] = min(cap, max(ahead, _FLOOR))


def _backward(
    v2: list[float], step: list[float], bend: list[float], weight: list[float], lift: list[float], slope: list[float],
    envelope: Envelope, brake: GripLimit,
) -> None:  # fmt: skip
    """Limit ``v2`` to speeds from which the car can still brake for the nodes ahead."""
    drag, roll = envelope.drag_pm, envelope.rolling_mps2

    def slow(k: int, square: float) -> float:
        load = max(weight[k] + lift[k] * square, 0.1)
        tyre = min(_grip(brake, square, load) * _free(square, bend[k], load, envelope), brake.most_mps2)
        return tyre + drag * square + roll + slope[k]

    for k in range(len(v2) - 2, -1, -1):
        here, cap = v2[k + 1], v2[k]
        if here >= cap:
            continue
        last = slow(k + 1, here)
        before = min(max(here + 2.0 * last * step[k], _FLOOR), cap)
        v2[k] = min(cap, max(here + (last + slow(k, before)) * step[k], _FLOOR))
