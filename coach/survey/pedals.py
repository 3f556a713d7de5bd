"""Infers throttle and brake from the car's motion where the feed has no pedals.

The acceleration by engine and brakes is the speed's derivative plus gradient, rolling resistance and drag. Nothing
published gives the drag of an unknown car: ROLLING and AIR are of the order of a GT-class car (from memory) and only
separate lifting from braking. The scale of each pedal is the driver's own: full brake is the hardest braking of the
recording; full throttle is the car's best acceleration at about that speed.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.survey.trace import Recording

ROLLING: Final = 0.3  # [m/s2], rolling and driveline, from memory
AIR: Final = 0.0005  # [1/m], drag acceleration per v^2, from memory
ENGINE_BRAKING: Final = 1.0  # [m/s2], a closed throttle in gear, from memory
_G: Final = 9.81


def inferred_pedals(trace: Recording, at: Floats, z_m: Floats, step_m: float) -> tuple[Floats, Floats]:
    """Return throttle and brake, 0..1, at the clock times ``at`` of the nodes."""
    v = np.interp(at, trace.clock, trace.speed)
    driven = np.interp(at, trace.clock, trace.acceleration) + _resistance(v)
    if np.isfinite(z_m).all():
        driven = driven + _G * np.gradient(z_m, step_m)
    moving = trace.speed > 5.0
    every = (trace.acceleration + _resistance(trace.speed))[moving]
    speeds = trace.speed[moving]
    if len(every) < 20:
        return np.full(len(at), np.nan), np.full(len(at), np.nan)
    hardest = max(-float(np.quantile(every, 0.005)), 2.0 * ENGINE_BRAKING)
    brake = np.clip((-driven - ENGINE_BRAKING) / (hardest - ENGINE_BRAKING), 0.0, 1.0)
    # the best acceleration by speed: the 95 % quantile within bins, which never grows with speed
    bins = np.linspace(float(speeds.min()), float(speeds.max()) + 1e-9, 9)
    which = np.digitize(speeds, bins) - 1
    best = [float(np.quantile(every[which == k], 0.95)) if (which == k).sum() > 10 else np.nan for k in range(8)]
    middle = 0.5 * (bins[1:] + bins[:-1])
    known = np.isfinite(best)
    full = np.maximum(np.interp(v, middle[known], np.array(best)[known]), 0.5)
    throttle = np.clip((driven + ENGINE_BRAKING) / (full + ENGINE_BRAKING), 0.0, 1.0)
    # within a tenth of the best counts as full throttle: the rest is noise and gear changes
    throttle = np.where(throttle > 0.9, 1.0, np.where(throttle < 0.1, 0.0, throttle))
    return throttle, np.where(brake < 0.03, 0.0, brake)


def _resistance(v: Floats) -> Floats:
    """Return the deceleration by rolling resistance and drag [m/s2]."""
    out: Floats = ROLLING + AIR * v * v
    return out
