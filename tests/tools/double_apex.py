"""Laps through bends with two apexes and only a lift between, with a fault at one of the two."""

from __future__ import annotations

import numpy as np
from compound_circuits import DOUBLE, GRIP, Compound, compound_circuit
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from survey_tracks import Track, speed_profile

from coach.core.columns import Columns

Floats = NDArray[np.float64]

LAPS = 12
"""The first FAULTLESS without a fault, then one with it and one without in turn."""
FAULTLESS = 6
SLOW = 0.88
"""Share of the grip that is used at the faulty apex."""
WIDE_M = 2.5
"""How far outside the car passes it."""
PACE = 0.004
"""Laps differ by so much of their speed."""


def apexes_of(truth: Compound) -> list[tuple[float, float]]:
    """The two tightest places of each double apex [m along the track], one in each half."""
    track = truth.track
    out = []
    for corner in truth.corners:
        if corner.kind == DOUBLE:
            bend = np.abs(track.curvature) * ((track.s > corner.start_m) & (track.s < corner.stop_m))
            turned = np.cumsum(bend)
            half = int(np.searchsorted(turned, 0.5 * turned[-1]))
            spans = [np.arange(len(bend)) < half, np.arange(len(bend)) >= half]
            # the middle of each arc
            places = [float(np.average(track.s[span], weights=bend[span] ** 6)) for span in spans]
            out.append((places[0], places[1]))
    return out


def session(
    seed: int, fault: str, which: int, rate_hz: float = 60.0, noise: float = 0.0
) -> tuple[Columns, list[tuple[float, float]]]:
    """Laps of the circuit of a seed with ``fault`` ("slow_middle" or "apex_missed") at each double apex's first or
    second apex (``which`` 1 or 2), and the apexes.
    """
    truth = compound_circuit(seed)
    track, places = truth.track, apexes_of(truth)
    n, step = len(track.s), track.length / len(track.s)
    clean = speed_profile(track, GRIP)
    at = [pair[which - 1] for pair in places]
    wide, faulty = np.zeros(n), clean
    for (first, second), place in zip(places, at, strict=True):
        near = 0.35 * (second - first)
        bump = np.exp(-0.5 * ((track.s - place) / (0.5 * near)) ** 2)
        if fault == "apex_missed":
            side = 1.0 if track.curvature[int(place / step)] > 0 else -1.0
            wide += -side * WIDE_M * bump
        else:
            # slower where it is tight, with the same pull and braking around it
            tight = Track(track.s, track.x, track.y, track.curvature * (1.0 + (1.0 / SLOW - 1.0) * bump), track.length)
            faulty = np.minimum(faulty, speed_profile(tight, GRIP))
    if fault == "apex_missed":
        # the longer way round costs its length, and some speed
        faulty = clean * (1.0 - 0.02 * np.abs(wide) / WIDE_M)
    return _recorded(track, clean, faulty, wide, step, seed, rate_hz, noise), places


def is_faulty(lap: int) -> bool:
    """Whether a lap (from 1) is driven with the fault."""
    return lap > FAULTLESS and (lap - FAULTLESS) % 2 == 1


def _recorded(
    track: Track, clean: Floats, faulty: Floats, wide: Floats, step: float, seed: int, rate_hz: float, noise: float
) -> Columns:
    rng = np.random.default_rng([seed, 5])
    n = len(clean)
    index = np.arange(-int(300 / step), int(LAPS * n + 150 / step))
    lap = index // n + 1
    wrong = np.array([is_faulty(k) for k in range(LAPS + 3)])[np.clip(lap, 0, LAPS + 2)]
    pace = 1.0 - PACE * rng.random(LAPS + 3)[np.clip(lap, 0, LAPS + 2)]
    v = np.where(wrong, faulty[index % n], clean[index % n]) * pace
    kernel = np.ones(9) / 9.0
    v = np.convolve(np.pad(v, 4, mode="edge"), kernel, "valid")
    clock = np.concatenate([[0.0], np.cumsum(step * 2.0 / (v[1:] + v[:-1]))])
    t = np.arange(0.01, clock[-1], 1.0 / rate_hz)
    s = np.interp(t, clock, index * step)
    speed = CubicSpline(clock, v)(t)
    accel = CubicSpline(clock, v)(t, 1)
    around = np.append(track.s, track.length)
    line = CubicSpline(
        around, np.column_stack([np.append(track.x, track.x[0]), np.append(track.y, track.y[0])]), bc_type="periodic"
    )
    place = np.mod(s, track.length)
    xy, d = line(place), line(place, 1)
    normal = np.column_stack([-d[:, 1], d[:, 0]]) / np.hypot(d[:, 0], d[:, 1])[:, None]
    beside = np.interp(s, index * step, np.where(wrong, wide[index % n], 0.0)) + 0.1 * np.sin(s / 170.0 + seed)
    c = Columns.empty(len(t))
    c["t_s"][:] = t
    c["x_m"][:], c["y_m"][:] = (xy + normal * beside[:, None] + noise * rng.standard_normal(xy.shape)).T
    c["speed_mps"][:] = speed + noise / 3.0 * rng.standard_normal(len(t))
    c["lap"][:] = np.floor(s / track.length) + 1
    c["lap_distance_m"][:] = place
    drag = 0.6 * speed**2 / 1300.0
    c["brake"][:] = np.clip((-accel - drag - 0.3) / GRIP, 0.0, 1.0)
    c["throttle"][:] = np.clip((accel + drag + 0.3) / 3.0, 0.0, 1.0)
    c["gear"][:] = 3.0
    return c
