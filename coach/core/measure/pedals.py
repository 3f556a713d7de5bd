"""Throttle and brake inferred from what the car did, where the feed has no pedals: alike in pass, reference and survey.

The acceleration by engine and brakes is the change of speed plus gradient, rolling resistance and drag. Nothing
published gives the drag of an unknown car: ROLLING, AIR and ENGINE_BRAKING are of the order of a GT-class car (from
memory) and only separate lifting from braking. The scale of each pedal is the reference lap's own: full brake is its
hardest braking; full throttle is its best acceleration at about that speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.numeric.smoothing import smooth
from coach.core.track.car import G_MPS2, slope_of
from coach.core.track.reference import Reference

ROLLING: Final = 0.3  # [m/s2], rolling and driveline, from memory
AIR: Final = 0.0005  # [1/m], drag acceleration per v^2, from memory
ENGINE_BRAKING: Final = 1.0  # [m/s2], a closed throttle in gear, from memory
SPAN_M: Final = 8.0
"""Half span of the polynomial for the acceleration [m]: shorter pedal use is invisible in speed."""
_BINS: Final = 9


@dataclass(frozen=True, eq=False)
class PedalScale:
    """Accelerations at full pedals on the reference lap: ``hardest`` [m/s2], and ``best`` (k,) at
    ``speeds_mps`` (k,).
    """

    hardest: float
    speeds_mps: Floats
    best: Floats


def force(speed_mps: Floats, slope: Floats, step_m: float) -> Floats:
    """Return acceleration by engine and brakes [m/s2] at even nodes, shape (n,)."""
    energy = smooth(speed_mps**2 / 2.0, int(SPAN_M / step_m))
    return done_by_car(np.gradient(energy, step_m), speed_mps, slope)


def done_by_car(acceleration: Floats, speed_mps: Floats, slope: Floats | float = 0.0) -> Floats:
    """Return what engine and brakes did [m/s2]: the acceleration without rolling resistance, air and gradient."""
    done: Floats = acceleration + ROLLING + AIR * speed_mps**2 + G_MPS2 * np.sin(np.arctan(slope))
    return done


@lru_cache(maxsize=8)
def scale_of(reference: Reference) -> PedalScale:
    """Return the pedal scale of ``reference``."""
    return scale_from(reference.speed_mps, force(reference.speed_mps, slope_of(reference), reference.step_m))


def scale_from(speed_mps: Floats, done: Floats) -> PedalScale:
    """Return the scale that speeds (n,) and what engine and brakes did at them (n,) [m/s2] show; n at least 1."""
    hardest = max(-float(np.quantile(done, 0.005)), 2.0 * ENGINE_BRAKING)
    edges = np.linspace(float(speed_mps.min()), float(speed_mps.max()) + 1e-9, _BINS)
    which = np.digitize(speed_mps, edges) - 1
    middles, best = [], []
    for k in range(_BINS - 1):
        inside = which == k
        if inside.sum() > 10:
            middles.append(0.5 * float(edges[k] + edges[k + 1]))
            best.append(float(np.quantile(done[inside], 0.95)))
    return PedalScale(hardest, np.array(middles or [0.0]), np.array(best or [1.0]))


def inferred(speed_mps: Floats, slope: Floats, step_m: float, scale: PedalScale) -> tuple[Floats, Floats]:
    """Return throttle and brake, 0..1, at even nodes (n,) ``step_m`` apart."""
    return pedals_of(speed_mps, force(speed_mps, slope, step_m), scale)


def pedals_of(speed_mps: Floats, done: Floats, scale: PedalScale) -> tuple[Floats, Floats]:
    """Return throttle and brake, 0..1, of what engine and brakes ``done`` (n,) [m/s2] at ``speed_mps`` (n,)."""
    brake = np.clip((-done - ENGINE_BRAKING) / (scale.hardest - ENGINE_BRAKING), 0.0, 1.0)
    full = np.maximum(np.interp(speed_mps, scale.speeds_mps, scale.best), 0.5)
    throttle = np.clip((done + ENGINE_BRAKING) / (full + ENGINE_BRAKING), 0.0, 1.0)
    # within a tenth of the best counts as full throttle: the rest is noise and gear changes
    throttle = np.where(throttle > 0.9, 1.0, np.where(throttle < 0.1, 0.0, throttle))
    return throttle, np.where(brake < 0.03, 0.0, brake)
