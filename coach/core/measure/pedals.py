"""Infers throttle and brake from the car's motion where the feed has no pedals, for pass and reference alike.

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
    gained: Floats = np.gradient(energy, step_m) + ROLLING + AIR * speed_mps**2 + G_MPS2 * np.sin(np.arctan(slope))
    return gained


@lru_cache(maxsize=8)
def scale_of(reference: Reference) -> PedalScale:
    """Return the pedal scale of ``reference``."""
    done = force(reference.speed_mps, slope_of(reference), reference.step_m)
    hardest = max(-float(np.quantile(done, 0.005)), 2.0 * ENGINE_BRAKING)
    v = reference.speed_mps
    edges = np.linspace(float(v.min()), float(v.max()) + 1e-9, _BINS)
    which = np.digitize(v, edges) - 1
    middles, best = [], []
    for k in range(_BINS - 1):
        inside = which == k
        if inside.sum() > 10:
            middles.append(0.5 * float(edges[k] + edges[k + 1]))
            best.append(float(np.quantile(done[inside], 0.95)))
    return PedalScale(hardest, np.array(middles or [0.0]), np.array(best or [1.0]))


def inferred(speed_mps: Floats, slope: Floats, step_m: float, scale: PedalScale) -> tuple[Floats, Floats]:
    """Return throttle and brake, 0..1, at even nodes (n,) ``step_m`` apart."""
    done = force(speed_mps, slope, step_m)
    brake = np.clip((-done - ENGINE_BRAKING) / (scale.hardest - ENGINE_BRAKING), 0.0, 1.0)
    full = np.maximum(np.interp(speed_mps, scale.speeds_mps, scale.best), 0.5)
    throttle = np.clip((done + ENGINE_BRAKING) / (full + ENGINE_BRAKING), 0.0, 1.0)
    # within a tenth of the best counts as full throttle: the rest is noise and gear changes
    throttle = np.where(throttle > 0.9, 1.0, np.where(throttle < 0.1, 0.0, throttle))
    return throttle, np.where(brake < 0.03, 0.0, brake)
