"""Use of grip: the share of the envelope used at each node and in each phase of a corner."""

from __future__ import annotations

from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.track.envelope import SLOWEST_MPS, Envelope, GripLimit
from coach.core.track.road import Road
from coach.core.track.zones import Zone

PHASES: Final = ("braking", "entry", "middle", "exit")
MIDDLE_SHARE: Final = 0.15
"""Mid-corner extends this share of the corner's length to either side of the apex, at least MIDDLE_M."""
MIDDLE_M: Final = 10.0
BRAKING: Final = 0.1
"""Least share of the braking limit that counts as braking."""


def tyre_accel(road: Road, envelope: Envelope, speed_mps: Floats, accel_mps2: Floats) -> Floats:
    """Return the longitudinal acceleration of the tyres [m/s2], without drag, rolling resistance and gravity.

    ``speed_mps`` and ``accel_mps2`` have shape (..., n) on the road's n nodes.
    """
    out: Floats = accel_mps2 + envelope.drag_pm * speed_mps**2 + envelope.rolling_mps2 + road.slope_mps2
    return out


def lateral_limit(road: Road, envelope: Envelope, speed_mps: Floats, curvature_pm: Floats) -> Floats:
    """Return the lateral limit [m/s2] to the side of the curvature at each node, NaN where unknown; shape (..., n)."""
    load = road.load(speed_mps)
    left, right = _at(envelope.left, speed_mps, load), _at(envelope.right, speed_mps, load)
    return np.asarray(np.where(curvature_pm > 0.0, left, right))


def grip_use(
    road: Road, envelope: Envelope, speed_mps: Floats, curvature_pm: Floats, accel_mps2: Floats
) -> Floats:  # fmt: skip
    """Return the share of the envelope in use at each node, about 0 to 1, NaN where its limit is unknown; shape (...,
    n).

    ``(x / X)^p + (y / Y)^p`` to the power 1/p, X the braking or traction limit; where engine or brakes are the limit,
    their share counts if larger: full throttle on a straight is full use.
    """
    v = np.maximum(speed_mps, SLOWEST_MPS)
    load = road.load(v)
    x = tyre_accel(road, envelope, v, accel_mps2)
    lateral = np.abs(curvature_pm) * v**2 / lateral_limit(road, envelope, v, curvature_pm)
    brake = _at(envelope.brake, v, load)
    drive = brake if envelope.traction is None else _at(envelope.traction, v, load)
    along = np.abs(x) / np.where(x < 0.0, brake, drive)
    p = envelope.exponent
    tyres = (lateral**p + along**p) ** (1.0 / p)
    if envelope.brake is not None:
        tyres = np.fmax(tyres, -x / envelope.brake.most_mps2)
    if envelope.power_wpkg is None:
        return np.asarray(tyres)
    engine = np.maximum(x, 0.0) * v / envelope.power_wpkg
    return np.asarray(np.fmax(tyres, engine))


def shares(road: Road, envelope: Envelope, speed_mps: Floats, curvature_pm: Floats, accel_mps2: Floats) -> Floats:
    """Return the lateral (left +) and longitudinal (acceleration +) shares of the limit, for a picture; shape (2, n).

    Limits of engine or brakes count as the tyres' limit. NaN where unknown.
    """
    v = np.maximum(speed_mps, SLOWEST_MPS)
    load = road.load(v)
    x = tyre_accel(road, envelope, v, accel_mps2)
    side = curvature_pm * v**2 / lateral_limit(road, envelope, v, curvature_pm)
    free = np.maximum(1.0 - np.minimum(np.abs(side), 1.0) ** envelope.exponent, 1e-6) ** (1.0 / envelope.exponent)
    brake = _at(envelope.brake, v, load) * free
    drive = brake if envelope.traction is None else _at(envelope.traction, v, load) * free
    if envelope.brake is not None:
        brake = np.minimum(brake, envelope.brake.most_mps2)
    if envelope.power_wpkg is not None:
        drive = np.minimum(drive, envelope.power_wpkg / v)
    return np.array([side, free * x / np.where(x < 0.0, brake, drive)])


def phase_places(zone: Zone, brake_m: float) -> dict[str, tuple[float, float]]:
    """Return start and end of each phase [m]: braking up to turn-in, entry, mid-corner around the apex, exit.

    ``brake_m`` is the start of braking, NaN without braking.
    """
    half = max(MIDDLE_SHARE * (zone.end_m - zone.turn_in_m), MIDDLE_M)
    low = max(zone.apex_m - half, zone.turn_in_m)
    high = min(zone.apex_m + half, max(zone.exit_m, zone.apex_m))
    out = {
        "entry": (zone.turn_in_m, low),
        "middle": (low, high),
        "exit": (high, max(zone.exit_m, high)),
    }
    if brake_m < zone.turn_in_m:
        out["braking"] = (brake_m, zone.turn_in_m)
    return out


def phase_use(places_m: Floats, use: Floats, phases: dict[str, tuple[float, float]]) -> dict[str, float]:
    """Return the mean use of grip in each phase, 0 to 1; NaN where the phase is shorter than a node or the limit
    unknown.

    ``places_m`` and ``use`` have shape (n,).
    """
    out = {}
    for name in PHASES:
        low, high = phases.get(name, (0.0, 0.0))
        a, b = places_m.searchsorted([low, high])
        part = use[a:b]
        out[name] = float(part.sum()) / len(part) if len(part) else float("nan")
    return out


def _at(limit: GripLimit | None, speed_mps: Floats, load: Floats) -> Floats:
    return np.full_like(speed_mps, np.nan) if limit is None else np.asarray(limit.at(speed_mps, load))
