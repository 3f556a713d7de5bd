"""Smoothing by a wanted accuracy: how far a channel may be smoothed, given its noise (``core.numeric.noise``).

The smoother minimises ``sum (y - z)^2 + lambda * integral (z''')^2`` (a penalised least-squares fit of the third
derivative), which passes a frequency w with the gain ``1 / (1 + (w / cutoff)^6)``: flat below the cut-off, which
preserves corners, and steep above it.

The span follows from the noise by the curvature-noise law sigma_k = sqrt(6) * sigma_pos / L^2. That law counts three
points; with every sample in the span at work the noise of the second derivative becomes
``sigma_a^2 = sigma^2 * dt * cutoff^5 / 18`` (the integral of w^4 gain^2 over all w, times dt / pi; a simulation in
the tests agrees). In time, the second derivative across the travel is the lateral acceleration k * v^2, so one
wanted accuracy of it suits hairpins and fast bends alike: at 70 m/s the span is long in metres, at 12 m/s short.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.linalg import solveh_banded

from coach.core.columns import Floats

HIGHEST_CUTOFF: Final = 2 * math.pi * 4.0
"""[rad/s]; a car's path has nothing above about 4 Hz that a coach needs."""
LOWEST_CUTOFF: Final = 2.0
"""[rad/s]; a slower smoother would begin to blur corners of 2 s."""
_SHORTEST: Final = 0.05  # cut-off times spacing below which the equations lose digits in float64


def cutoff_for(noise: float, dt: float, wanted: float, derivative: int) -> float:
    """Return the cut-off [rad/s] at which ``derivative`` (0, 1 or 2) of the smoothed channel has the noise ``wanted``.

    ``noise`` is that of one sample, ``dt`` the spacing [s]. The constants are integrals of u^(2d) / (1 + u^6)^2
    over pi. Clipped to what a car's motion allows.
    """
    if not noise > 1e-9:
        return HIGHEST_CUTOFF
    constant = (0.8727 / math.pi, 1 / 12, 1 / 18)[derivative]
    cutoff = (wanted**2 / (noise**2 * dt * constant)) ** (1 / (2 * derivative + 1))
    return float(np.clip(cutoff, LOWEST_CUTOFF, HIGHEST_CUTOFF))


def peaks(y: Floats, prominence: float, height: float | None = None) -> tuple[NDArray[np.intp], Floats]:
    """Return the nodes of the peaks of ``y`` (shape (n,)) of at least this prominence and height; their prominences."""
    # imported here: it takes longer to import than all the rest, and commands that survey nothing import this room too
    from scipy.signal import find_peaks

    nodes, shape = find_peaks(y, height=height, prominence=prominence)
    return nodes, shape["prominences"]


def smooth(t_s: Floats, y: Floats, cutoff: float) -> Floats:
    """Return ``y`` (shape (n,) or (n, m), finite) smoothed at increasing times ``t_s`` [s] with a cut-off [rad/s]."""
    n = len(t_s)
    if n < 8:
        return np.array(y, dtype=np.float64)
    dt = float(np.median(np.diff(t_s)))
    bundle = int(_SHORTEST / (cutoff * dt))
    if bundle > 1 and n // bundle >= 8:
        return _bundled(t_s, y, cutoff, bundle)
    t = t_s / dt
    weight = 1.0 / (cutoff * dt) ** 6
    # third divided differences times 3! are the third derivative, whatever the spacing
    rows = []
    for j in range(4):
        product = np.ones(n - 3)
        for k in range(4):
            if k != j:
                product *= t[j : n - 3 + j] - t[k : n - 3 + k]
        rows.append(6.0 / product)
    spacing = (t[3:] - t[:-3]) / 3.0
    band = np.zeros((4, n))
    band[3] = 1.0
    for j in range(4):
        for k in range(j, 4):
            band[3 - (k - j), k : n - 3 + k] += weight * spacing * rows[j] * rows[k]
    centre = np.mean(y, axis=0)
    result: Floats = solveh_banded(band, y - centre, check_finite=False) + centre
    return result


def _bundled(t_s: Floats, y: Floats, cutoff: float, bundle: int) -> Floats:
    """Smooth averages of sample groups: equal within the noise, without loss of digits."""
    m = len(t_s) // bundle
    cut = np.linspace(0, len(t_s), m + 1).astype(np.intp)
    width = np.diff(cut)
    shape = (m,) + (1,) * (y.ndim - 1)
    t_mean = np.add.reduceat(t_s, cut[:-1]) / width
    y_mean = np.add.reduceat(y, cut[:-1], axis=0) / width.reshape(shape)
    z = smooth(t_mean, y_mean, cutoff)
    inside: Floats = CubicSpline(t_mean, z)(t_s)
    return inside
