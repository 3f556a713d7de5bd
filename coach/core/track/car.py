"""The car's capability, derived from the driven laps and never from a constant.

Braking: the strongest deceleration at each speed, on the level. Driving: engine power and drag from the full
throttle parts of the reference, a = p / v - c v^2 (two unknowns, least squares).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.numeric.smoothing import smooth
from coach.core.track.reference import Reference

G_MPS2: Final = 9.80665
_BINS: Final = 8
_STRONG: Final = 0.9
"""Quantile of braking decelerations at a speed taken as the car's limit."""


@dataclass(frozen=True)
class Car:
    """Braking and acceleration shown on the reference.

    ``brake_speeds_mps`` and ``decel_mps2`` (shapes (k,)) tabulate the deceleration envelope on the level;
    ``power_wpkg`` and ``drag_pm`` describe full throttle: a = power / v - drag v^2.
    """

    brake_speeds_mps: Floats
    decel_mps2: Floats
    power_wpkg: float
    drag_pm: float

    def decel(self, speed_mps: Floats | float, slope: Floats | float = 0.0) -> Floats:
        """Return the deceleration the car has shown at a speed [m/s^2], more uphill (slope > 0, rise over run)."""
        angle = np.arctan(slope)
        flat = np.interp(speed_mps, self.brake_speeds_mps, self.decel_mps2)
        return np.asarray(flat * np.cos(angle) + G_MPS2 * np.sin(angle))

    def braking_m(self, from_mps: float, to_mps: float, slope: float = 0.0) -> float:
        """Return the distance to slow down from one speed to another at the car's own envelope [m]."""
        v = np.linspace(to_mps, from_mps, 60)
        return float(np.trapezoid(v / np.maximum(self.decel(v, slope), 0.5), v))

    def fade(self, speed_mps: Floats, full: Floats, step_m: float) -> Floats:
        """Return the remaining share of a lack of kinetic energy after each node, from 1 at the first; shape (n,).

        At full throttle a slower car accelerates harder (power over speed) with less drag, so the lack fades:
        d(lack)/du = -(p / v^3 + 2 c) lack. While grip limits the throttle it does not. ``full`` is 0 or 1.
        """
        rate = np.where(full > 0.5, self.power_wpkg / np.maximum(speed_mps, 5.0) ** 3 + 2.0 * self.drag_pm, 0.0)
        return np.asarray(np.exp(-np.concatenate(([0.0], np.cumsum(rate[:-1] * step_m)))))


def slope_of(reference: Reference) -> Floats:
    """Return the rise over run at each node, shape (n,); 0 where height is unknown."""
    if not np.isfinite(reference.z_m).all():
        return np.zeros(len(reference))
    padded = (
        np.concatenate((reference.z_m[-30:], reference.z_m, reference.z_m[:30]))
        if reference.closed
        else (np.pad(reference.z_m, 30, mode="edge"))
    )
    rise = np.gradient(smooth(padded, 15), reference.step_m)
    return np.asarray(rise[30:-30])


def car_of(reference: Reference) -> Car:
    """Return the car's capability on the reference lap."""
    v, slope = reference.speed_mps, slope_of(reference)
    accel = np.gradient(v * v / 2.0, reference.step_m)
    level = accel + G_MPS2 * np.sin(np.arctan(slope))
    speeds, decel = _braking(v, -level)
    power, drag = _driving(v, level, reference.throttle)
    return Car(speeds, decel, power, drag)


def _braking(v: Floats, decel: Floats) -> tuple[Floats, Floats]:
    hard = decel > 0.4 * max(float(np.quantile(decel, 0.99)), 1.0)
    if hard.sum() < 10:
        # no braking on this lap: 1 m/s^2 is a safe assumption
        return np.array([0.0, 100.0]), np.array([1.0, 1.0])
    edges = np.linspace(v[hard].min(), v[hard].max() + 1e-6, _BINS + 1)
    centres, values = [], []
    for low, high in pairwise(edges):
        inside = hard & (v >= low) & (v < high)
        if inside.sum() >= 3:
            centres.append(float(v[inside].mean()))
            values.append(float(np.quantile(decel[inside], _STRONG)))
    return np.array(centres), np.array(values)


def _driving(v: Floats, accel: Floats, throttle: Floats) -> tuple[float, float]:
    fast = v > np.quantile(v, 0.3)
    full = fast & (throttle > 0.97) if np.isfinite(throttle).any() else fast & (accel > 0.0)
    if full.sum() < 30:
        return float(np.max(np.maximum(accel, 0.0) * v)), 0.0
    design = np.stack((1.0 / v[full], -(v[full] ** 2)), axis=1)
    (power, drag), *_ = np.linalg.lstsq(design, accel[full], rcond=None)
    if power <= 0.0 or drag < 0.0:
        return float(np.median(accel[full] * v[full])), 0.0
    return float(power), float(drag)
