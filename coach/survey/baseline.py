"""The driver's baseline: median speed and curvature along the reference over the good laps.

A single lap has twitches and noise. Corners found in the median of the laps within NEAR of the best stay the same from
lap to lap and session to session; places to repeat (brake, exit) still come from the reference lap.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.track.reference import Reference
from coach.survey.laps import Lap

NEAR: Final = 0.03
MOST_LAPS: Final = 15
FEWEST_LAPS: Final = 3


def baseline(
    reference: Reference, laps: tuple[Lap, ...], speed: Floats, curvature: Floats
) -> tuple[Floats, Floats, float]:
    """Return speed and curvature at the nodes, shapes (n,), and the share of one lap's noise that is left in them.

    The reference's own with fewer than three good laps.
    """
    times = [lap.time_s if lap.valid else np.inf for lap in laps]
    order = np.argsort(times)
    good = [int(i) for i in order if times[int(i)] <= min(times) * (1 + NEAR)][:MOST_LAPS]
    if len(good) < FEWEST_LAPS:
        return reference.speed_mps, reference.curvature_pm, 1.0
    known = np.isfinite(speed[good]).all(axis=0) & np.isfinite(curvature[good]).all(axis=0)
    v = np.where(known, np.median(np.where(known, speed[good], 0.0), axis=0), reference.speed_mps)
    k = np.where(known, np.median(np.where(known, curvature[good], 0.0), axis=0), reference.curvature_pm)
    # the median of n has 1.25 times the noise of their mean
    return v, k, float(1.25 / np.sqrt(len(good)))
