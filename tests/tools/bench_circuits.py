"""Generated circuits for benches: random-track-generator's medium layouts, scaled to 3 to 6 km."""

from __future__ import annotations

import numpy as np
import random_track_generator as rtg
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

Floats = NDArray[np.float64]


def centre_line(seed: int, length_m: float, calm_m: float = 20.0) -> Floats:
    """A closed centre line (n, 2) at about 1 m, of about ``length_m`` [m]; the same for the same seed.

    ``calm_m`` is the deviation of a Gaussian over the positions: layouts made for small cars have kinks that
    no road has once they are scaled up.
    """
    made = rtg.generate_track("medium", seed=seed)
    left, right = np.asarray(made.cones_left, dtype=float), np.asarray(made.cones_right, dtype=float)
    gap = np.hypot(left[:, None, 0] - right[None, :, 0], left[:, None, 1] - right[None, :, 1])
    xy = 0.5 * (left + right[np.argmin(gap, axis=1)])
    xy = xy[np.concatenate([[True], np.hypot(*np.diff(xy, axis=0).T) > 0.5])]
    if np.hypot(*(xy[-1] - xy[0])) < 0.5:
        xy = xy[:-1]
    closed = np.vstack([xy, xy[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    closed *= length_m / s[-1]
    s *= length_m / s[-1]
    keep = np.concatenate([[True], np.diff(s) > 1e-6])
    even = CubicSpline(s[keep], closed[keep], bc_type="periodic")(
        np.linspace(0.0, length_m, round(length_m), endpoint=False)
    )
    out: Floats = gaussian_filter1d(even, calm_m, axis=0, mode="wrap")
    return out
