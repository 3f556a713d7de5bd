"""The driver's faultless line: the path of least curvature within the track.

The squared second derivative of the path, which is linear in the offsets from the centre line, is minimised
within bounds (as in Braghin et al. 2008, Computers & Structures 86: 1503-1516; from memory).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from scipy.sparse import csc_array, csr_array, diags_array, vstack
from scipy.sparse.linalg import spsolve

from feeds.frame import Floats
from feeds.practice.car import CAR_HALF_WIDTH_M
from feeds.practice.circuit import Circuit

GRID_M = 4.0
STEER_M = 12.0  # weight of the change of curvature: the wheel turns at a finite rate
MARGIN_M = 0.35
ROUNDS = 5
SHORTER = 0.0002  # [1/m] a slight pull towards the shortest path, where curvature alone does not decide
FOLD = 0.85  # share of the radius the line may use before the normals cross


def bounds(circuit: Circuit, station_m: Floats) -> tuple[Floats, Floats]:
    """Return the lowest and highest offset of the car's centre at ``station_m``: inside the asphalt with a margin."""
    room = CAR_HALF_WIDTH_M + MARGIN_M
    high = circuit.at(circuit.left_m, station_m) - room
    low = -(circuit.at(circuit.right_m, station_m) - room)
    curvature = circuit.at(circuit.curvature_pm, station_m)
    reach = FOLD / np.maximum(np.abs(curvature), 1e-6)
    high = np.where(curvature > 0, np.minimum(high, reach), high)
    low = np.where(curvature < 0, np.maximum(low, -reach), low)
    return np.minimum(low, -0.01), np.maximum(high, 0.01)


def racing_line(circuit: Circuit) -> Floats:
    """Return the offsets of the faultless line from the centre line at the circuit's nodes, left +, shape (m,)."""
    k = max(round(circuit.length_m / GRID_M), 16)
    station: Floats = np.arange(k, dtype=np.float64) * (circuit.length_m / k)
    low, high = bounds(circuit, station)
    centre = circuit.place(station, np.zeros(k))[:, :2]
    normal = circuit.place(station, np.ones(k))[:, :2] - centre
    step = circuit.length_m / k
    second = _ring([1.0, -2.0, 1.0], k) / step**2
    first = _ring([-0.5, 0.0, 0.5], k) / step
    steer = STEER_M * _ring([0.0, -1.0, 1.0], k) / step
    pull = SHORTER * first
    offsets = np.zeros(k)
    for _ in range(ROUNDS):
        path = centre + offsets[:, None] * normal
        along = first @ path
        stretch = np.hypot(along[:, 0], along[:, 1])
        # curvature of the previous iteration's path, per metre of that path: sqrt(ds) * (P' x P'') / |P'|^3
        across = np.column_stack([-along[:, 1], along[:, 0]]) / stretch[:, None] ** 3.0
        weight = np.sqrt(stretch)
        curve: Any = sum(diags_array(weight * across[:, i]) @ second @ diags_array(normal[:, i]) for i in (0, 1))
        bent: Any = sum(weight * across[:, i] * (second @ centre[:, i]) for i in (0, 1))
        blocks = [(curve, bent), (steer @ curve, steer @ bent)]
        blocks += [(pull @ diags_array(normal[:, i]), pull @ centre[:, i]) for i in (0, 1)]
        matrix = csr_array(vstack([m for m, _ in blocks]))
        found = box_least_squares(matrix, -np.concatenate([t for _, t in blocks]), low, high)
        offsets = found if not offsets.any() else 0.5 * (offsets + found)
    wrapped = np.append(offsets, offsets[0])
    spline = CubicSpline(np.append(station, circuit.length_m), wrapped, bc_type="periodic")
    # without the ripple of the optimiser's grid
    line: Floats = gaussian_filter1d(spline(circuit.station_m), 0.75 * GRID_M / circuit.step_m, mode="wrap")
    return line


def _ring(stencil: list[float], k: int) -> Any:
    """Return the three-point stencil as a sparse (k, k) matrix over a closed ring of nodes."""
    low, mid, high = stencil
    diagonals: list[Any] = [[high], np.full(k - 1, low), np.full(k, mid), np.full(k - 1, high), [low]]
    return csr_array(diags_array(diagonals, offsets=[-(k - 1), -1, 0, 1, k - 1]))


def box_least_squares(matrix: Any, target: Floats, low: Floats, high: Floats) -> Floats:
    """Return the x (k,) in low < x < high that makes ||matrix x - target|| least; ``matrix`` is sparse (r, k).

    A primal-dual interior point method on the normal equations (Nocedal & Wright, Numerical Optimization,
    section 16.6; from memory). ``scipy.optimize.lsq_linear`` gives the same answer, without using the
    sparsity for bounds, in seconds instead of milliseconds; a test compares the two.
    """
    hessian: Any = csc_array(matrix.T @ matrix)
    pull: Floats = -(matrix.T @ target)
    scale = float(hessian.diagonal().mean())
    hessian, pull = hessian / scale, pull / scale
    x = 0.5 * (low + high)
    force_low, force_high = np.full(len(x), 1e-2), np.full(len(x), 1e-2)
    for _ in range(60):
        above, below = x - low, high - x
        gap = float((above @ force_low + below @ force_high) / (2 * len(x)))
        if gap < 1e-10:
            break
        mu = 0.15 * gap
        stiff = csc_array(hessian + diags_array(force_low / above + force_high / below))
        step = spsolve(stiff, -(hessian @ x + pull) + mu / above - mu / below)
        d_low = mu / above - force_low - force_low / above * step
        d_high = mu / below - force_high + force_high / below * step
        pairs = ((above, step), (below, -step), (force_low, d_low), (force_high, d_high))
        share = min([1.0, *(0.98 * float((-v / np.minimum(d, -1e-300)).min()) for v, d in pairs)])
        x = x + share * step
        force_low, force_high = force_low + share * d_low, force_high + share * d_high
    return x
