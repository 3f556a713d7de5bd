"""Circuits with known corners and a simple car on them, apart from the product's own simulator.

A circuit is a polygon whose corners are rounded by arcs (then by a moving mean of the positions, which makes the
curvature ramp): each arc is an intended corner, its middle the intended apex. The speed comes from
trajectory-planning-helpers (calc_vel_profile), a published package that knows nothing of this project.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np
import trajectory_planning_helpers as tph
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from coach.core.columns import Columns

Floats = NDArray[np.float64]


@dataclass
class Track:
    """A closed line at 1 m spacing (m points, not repeated), its curvature, and the intended apexes."""

    s: Floats
    x: Floats
    y: Floats
    curvature: Floats
    length: float
    apexes: list[tuple[float, str]] = field(default_factory=list)
    speeds: dict[float, Floats] = field(default_factory=dict)


def rounded(points: list[tuple[float, float, float]], ramp: int = 15) -> Track:
    """A polygon of (x, y, corner radius) whose first edge's middle is the line."""
    p = np.array([q[:2] for q in points], dtype=float)
    n = len(p)
    parts: list[Floats] = []
    marks: list[tuple[Floats, str]] = []
    start = 0.5 * (p[0] + p[1])
    here = start
    for k in [*range(1, n), 0]:
        a, b, c, radius = p[k - 1], p[k], p[(k + 1) % n], points[k][2]
        u, w = (b - a) / np.hypot(*(b - a)), (c - b) / np.hypot(*(c - b))
        turn = float(np.arctan2(u[0] * w[1] - u[1] * w[0], u @ w))
        cut = radius * np.tan(abs(turn) / 2)
        into, out = b - u * cut, b + w * cut
        assert (into - here) @ u > 0, f"corner {k} does not fit"
        parts.append(np.linspace(here, into, max(int(np.hypot(*(into - here)) * 4), 2), endpoint=False))
        normal = np.array([-u[1], u[0]]) * np.sign(turn)
        centre = into + normal * radius
        phi = np.linspace(0, turn, max(int(radius * abs(turn) * 4), 8), endpoint=False)
        r = into - centre
        arc = centre + np.column_stack(
            [r[0] * np.cos(phi) - r[1] * np.sin(phi), r[0] * np.sin(phi) + r[1] * np.cos(phi)]
        )
        parts.append(arc)
        half = turn / 2
        marks.append(
            (
                centre
                + np.array([r[0] * np.cos(half) - r[1] * np.sin(half), r[0] * np.sin(half) + r[1] * np.cos(half)]),
                "left" if turn > 0 else "right",
            )
        )
        here = out
    parts.append(np.linspace(here, start, max(int(np.hypot(*(start - here)) * 4), 2), endpoint=False))
    return from_points(np.vstack(parts), ramp, marks)


def from_points(xy: Floats, ramp: int, marks: list[tuple[Floats, str]]) -> Track:
    closed = np.vstack([xy, xy[:1]])
    s = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    node = np.arange(0, s[-1], 1.0)
    xy = np.column_stack([np.interp(node, s, closed[:, 0]), np.interp(node, s, closed[:, 1])])
    for _ in range(2):
        kernel = np.ones(ramp) / ramp
        around = np.vstack([xy[-ramp:], xy, xy[:ramp]])
        xy = np.column_stack([np.convolve(around[:, i], kernel, "same")[ramp:-ramp] for i in (0, 1)])
    closed = np.vstack([xy, xy[:1]])
    s = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    line = CubicSpline(s, closed, bc_type="periodic")
    node = np.linspace(0, s[-1], round(s[-1]), endpoint=False)
    d, dd = line(node, 1), line(node, 2)
    k = (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0]) / np.hypot(d[:, 0], d[:, 1]) ** 3
    xy = line(node)
    apexes = [(float(node[np.argmin(np.hypot(*(xy - m).T))]), way) for m, way in marks]
    return Track(node, xy[:, 0], xy[:, 1], k, float(s[-1]), sorted(apexes))


CIRCUITS: dict[str, list[tuple[float, float, float]]] = {
    "long": [
        (0, 0, 60), (900, 0, 40), (1000, 350, 90), (700, 500, 25), (450, 330, 60), (200, 560, 120), (-250, 300, 45),
    ],
    "hairpins": [
        (0, 0, 80), (700, 0, 18), (690, 110, 30), (300, 160, 50), (330, 420, 15), (150, 430, 40), (-150, 150, 70),
    ],
    "fast": [(0, 0, 200), (1300, -50, 150), (1700, 500, 110), (1200, 900, 220), (600, 650, 120), (-200, 700, 130)],
}  # fmt: skip


@cache
def circuit(name: str) -> Track:
    """One of CIRCUITS, made once."""
    return rounded(CIRCUITS[name])


def speed_profile(track: Track, grip: float = 14.0, power: float = 7.0, top: float = 72.0) -> Floats:
    """Speed at the nodes of ``track`` by trajectory-planning-helpers."""
    ggv = np.column_stack([np.linspace(0, 100, 5), np.full(5, grip), np.full(5, grip)])
    v_at = np.linspace(1, 100, 20)
    machines = np.column_stack([v_at, np.minimum(power, power * 25 / v_at)])
    el = np.full(len(track.s), track.length / len(track.s))
    kappa = np.where(np.abs(track.curvature) < 1e-6, 1e-6, track.curvature)  # its straights have no radius
    return np.asarray(
        tph.calc_vel_profile.calc_vel_profile(
            ax_max_machines=machines, kappa=kappa, el_lengths=el, closed=True, drag_coeff=0.6, m_veh=1300.0,
            ggv=ggv, v_max=top, dyn_model_exp=1.5,
        )
    )  # fmt: skip


@dataclass
class Drive:
    """Frames, and the truth: the exact time of each passage of the line, laps 1.. ; ``speed`` at the nodes."""

    columns: Columns
    passages: Floats
    speed: Floats


def drive(
    track: Track, laps: int = 3, rate: float = 60.0, noise: float = 0.0, speed_noise: float = 0.0, seed: int = 0,
    grip: float = 14.0, spread: float = 0.01, lateral: float = 0.0, start_m: float = -400.0, after_m: float = 200.0,
) -> Drive:  # fmt: skip
    """A car that passes the line ``laps + 1`` times; each lap's pace differs by up to ``spread``."""
    rng = np.random.default_rng(seed)
    if grip not in track.speeds:
        track.speeds[grip] = speed_profile(track, grip)
    v0 = track.speeds[grip]
    n = len(track.s)
    step = track.length / n
    first, last = int(start_m / step), int((laps * track.length + after_m) / step)
    index = np.arange(first, last + 1)
    factor = 1.0 - spread * rng.random(laps + 3)
    pace = np.interp(index * step, (np.arange(-1, laps + 2)) * track.length, factor[: laps + 3])
    v = v0[index % n] * pace
    dt = np.concatenate([[0], np.cumsum(step * 2 / (v[1:] + v[:-1]))])
    time_at = CubicSpline(index * step, dt)
    passages = np.array([float(time_at(k * track.length)) for k in range(laps + 1)])
    t = np.arange(0.3137 / rate, dt[-1], 1 / rate)
    s = CubicSpline(dt, index * step)(t)
    for _ in range(3):
        s = s - (time_at(s) - t) / time_at(s, 1)
    closed_s = np.append(track.s, track.length)
    line = CubicSpline(
        closed_s, np.column_stack([np.append(track.x, track.x[0]), np.append(track.y, track.y[0])]), bc_type="periodic"
    )
    wrapped = np.mod(s, track.length)
    xy, d = line(wrapped), line(wrapped, 1)
    normal = np.column_stack([-d[:, 1], d[:, 0]]) / np.hypot(d[:, 0], d[:, 1])[:, None]
    phase = rng.random(laps + 3) * 2 * np.pi
    wander = lateral * np.sin(
        2 * np.pi * 3 * s / track.length + np.interp(s, np.arange(-1, laps + 2) * track.length, phase)
    )
    xy = xy + normal * wander[:, None]
    speed = 1.0 / time_at(s, 1)
    a = -time_at(s, 2) * speed**3
    c = Columns.empty(len(t))
    c["t_s"][:] = t
    c["x_m"][:], c["y_m"][:] = (xy + noise * rng.standard_normal(xy.shape)).T
    c["speed_mps"][:] = speed + speed_noise * rng.standard_normal(len(t))
    c["lap"][:] = np.floor(s / track.length) + 1
    c["lap_distance_m"][:] = wrapped
    drag = 0.6 * speed**2 / 1300
    c["brake"][:] = np.clip((-a - drag - 0.3) / grip, 0, 1)
    c["throttle"][:] = np.where(a + drag > 0.3, 1.0, np.where(a + drag > -0.3, 0.4, 0.0))
    c["gear"][:] = np.clip(np.floor(speed / 11), 1, 6)
    return Drive(c, passages, v0)
