"""Rescales the reference to today's condition: with other grip and engine power.

Where grip limits the reference (it brakes, corners or holds the throttle back), speed squared is proportional to grip:
v^2 = mu g / kappa, and so is the energy that braking takes off over a metre. Where the engine limits it, the car
accelerates by the engine's power at its own speed, a = p / v - c v^2. The lower of both speeds applies; braking begins
where the braking line, extended backwards, meets the engine's speed. A quasi-steady point mass, as in Beckman 2000,
parts 4 and 5, from memory.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.track.car import Car
from coach.core.track.reference import Reference

FULL: Final = 0.95
BRAKES: Final = 0.05
_SLOWEST: Final = 3.0


def rescaled(reference: Reference, car: Car, grip: float, power: float) -> Reference:
    """Return ``reference`` with ``grip`` and ``power`` times what it had; line and places stay."""
    v, step = np.maximum(reference.speed_mps, _SLOWEST), reference.step_m
    energy = v**2 / 2.0
    gain = (np.roll(energy, -1) - energy) / step
    braking, pulling = _modes(reference, gain)
    engine = car.power_wpkg / v - car.drag_pm * v**2
    most = np.where(pulling, np.inf, grip * energy)
    decel = grip * np.where(braking, -gain, car.decel(v))
    # hills and gears have the same effect today
    others = np.where(pulling, gain - engine, 0.0)
    after = _drive(energy, most, others, decel, grip * _traction(gain, pulling), power * car.power_wpkg, car, step)
    speed = np.sqrt(2.0 * after)
    held = after >= 0.999 * np.minimum(most, 1e9)
    slows = (np.roll(after, -1) - after) / step < -0.5 * car.drag_pm * speed**2 - 0.5
    own_brake = np.where(np.isfinite(reference.brake), reference.brake, 0.0)
    extended = ~braking & slows & ~held
    brake = np.where(braking & held, grip * own_brake, np.where(extended, grip * _peak_ahead(own_brake, step), 0.0))
    throttle = np.where(brake > 0.0, 0.0, np.where(held, grip**1.5 * reference.throttle, 1.0))
    t = np.concatenate(([0.0], np.cumsum(2.0 * step / (speed + np.roll(speed, -1)))))
    n = len(t) - 1
    return replace(
        reference,
        t_s=t[:n],
        lap_time_s=float(t[n] if reference.closed else t[n - 1]),
        speed_mps=speed,
        brake=np.where(np.isfinite(reference.brake), np.clip(brake, 0.0, 1.0), np.nan),
        throttle=np.where(np.isfinite(reference.throttle), np.clip(throttle, 0.0, 1.0), np.nan),
    )


def _modes(reference: Reference, gain: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where the reference brakes, and where only its engine limits it."""
    known = bool(np.isfinite(reference.brake).any())
    braking = reference.brake > BRAKES if known else gain < -1.0
    full = reference.throttle >= FULL if bool(np.isfinite(reference.throttle).any()) else gain > 0.0
    return braking, full & ~braking


def _peak_ahead(brake: Floats, step: float) -> Floats:
    """Return the largest brake of the next 150 m, for a braking that begins earlier."""
    n = max(int(150.0 / step), 1)
    padded = np.concatenate((brake, brake[:n]))
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, n)[: len(brake)].max(axis=1))


def _traction(gain: Floats, pulling: NDArray[np.bool_]) -> Floats:
    """Return the traction limit where each full throttle begins, held to its end [m/s^2]."""
    first = pulling & ~np.roll(pulling, 1)
    if not first.any():
        return np.full(len(gain), np.inf)
    places = np.flatnonzero(first)
    latest = np.searchsorted(places, np.arange(len(gain)), "right") - 1
    return np.where(pulling, gain[places[latest]], np.inf)


def _drive(
    energy: Floats, most: Floats, others: Floats, decel: Floats, traction: Floats, pull: float, car: Car, step: float
) -> Floats:
    """Return kinetic energy per mass at each node: backward by the brakes, then forward by the engine, twice round the
    lap.
    """
    n = len(energy)
    back = np.minimum(most, 1e6).tolist()
    slowing = (decel * step).tolist()
    for _ in range(2):
        ahead = back[0]
        for i in range(n - 1, -1, -1):
            ahead = back[i] = min(back[i], ahead + slowing[i])
    drag, more, put_down = car.drag_pm, others.tolist(), traction.tolist()
    floor = _SLOWEST**2 / 2.0
    here = min(float(energy[0]), back[0])
    for _ in range(2):
        for i in range(n):
            here = max(min(here, back[i]), floor)
            back[i] = here
            v = (2.0 * here) ** 0.5
            here += step * min(pull / v - drag * v * v + more[i], put_down[i])
    return np.array(back)
