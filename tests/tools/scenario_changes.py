"""Changed recordings: the same laps, slower here and there, with a stop, a spin, a pit lane beside the road.

Speeds are lowered, times and pedals follow from them: a car that is held up opens the throttle less and brakes
sooner, it does not roll through time more slowly.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scenario_ground import RATE_HZ, Drive
from scipy.interpolate import CubicSpline

from coach.core.columns import Floats
from feeds.practice.car import PracticeCar
from feeds.practice.circuit import plateau
from feeds.practice.faultless import Faultless, pedals

SLOWING_MPS2, PULLING_MPS2 = 7.0, 4.5
"""How a driver slows and pulls away who is in no hurry (common practice, no source)."""
LEAST_MPS = 1.0


def time_stretched(what: Drive, factor: float) -> Drive:
    """Everything ``factor`` times as fast, pedals and gears as they were: a car that has less of everything."""
    channels = dict(what.channels)
    channels["t_s"] = what.channels["t_s"] / factor
    channels["speed_mps"] = what.channels["speed_mps"] * factor
    return Drive(channels, {lap: t / factor for lap, t in what.lap_start.items()})


def held_up(what: Drive, base: Faultless, cap_mps: Floats, stops: Sequence[tuple[float, float]] = ()) -> Drive:
    """The drive under a cap (n,) on its speed; ``stops`` are (place [laps driven], seconds stood there)."""
    length = base.circuit.length_m
    c, u = what.channels, what.driven(length)
    cap = cap_mps.copy()
    for place, _ in stops:
        cap[np.argmin(np.abs(u - place))] = LEAST_MPS
    own = c["speed_mps"]
    # metres driven, which are not those along the middle of the road
    steps = 0.5 * (own[1:] + own[:-1]) * np.diff(c["t_s"])
    v = _reachable(own, cap, steps)
    slower = v < own - 1e-9
    took = np.where(slower[1:] | slower[:-1], 2.0 * steps / (v[1:] + v[:-1]), np.diff(c["t_s"]))
    t = c["t_s"][0] + np.concatenate([[0.0], np.cumsum(took)])
    stood = np.zeros(len(t))
    for place, seconds in stops:
        stood += seconds * (u > place)
    lap_start = {lap: float(np.interp(when, c["t_s"], t + stood)) for lap, when in what.lap_start.items()}
    moving = {**c, "t_s": t, "speed_mps": v}
    throttle, brake = _pedals(base.car, moving, np.gradient(c["z_m"], u * length))
    moving["throttle"] = np.where(slower, throttle, c["throttle"])
    moving["brake"] = np.where(slower, brake, c["brake"])
    moving["gear"] = np.where(slower, _gears(base.car, v), c["gear"])
    return Drive(_filled(moving, u, length, stops), lap_start)


def _reachable(v: Floats, cap: Floats, steps_m: Floats) -> Floats:
    """The speeds under the cap that a calm driver reaches; where nothing holds him up, his own."""
    now = np.minimum(v, cap)
    out = now.tolist()
    own, step = v.tolist(), steps_m.tolist()
    for i in range(len(out) - 2, -1, -1):
        if out[i + 1] < own[i + 1] - 1e-9:
            out[i] = min(out[i], float(np.sqrt(out[i + 1] ** 2 + 2.0 * SLOWING_MPS2 * step[i])))
    for i in range(1, len(out)):
        if out[i - 1] < own[i - 1] - 1e-9:
            out[i] = min(out[i], float(np.sqrt(out[i - 1] ** 2 + 2.0 * PULLING_MPS2 * step[i - 1])))
    reached: Floats = np.maximum(np.array(out), LEAST_MPS)
    return reached


def _gears(car: PracticeCar, v: Floats) -> Floats:
    tops = 0.93 * np.array(car.top_mps[:-1])
    return np.asarray(np.searchsorted(tops, v) + 1, dtype=np.float64)


def _pedals(car: PracticeCar, c: dict[str, Floats], grade: Floats) -> tuple[Floats, Floats]:
    engine = np.array(
        [car.engine_mps2(v, int(g)) for v, g in zip(c["speed_mps"], _gears(car, c["speed_mps"]), strict=True)]
    )
    return pedals(car, np.gradient(c["speed_mps"], c["t_s"]), c["speed_mps"], grade, engine)


def _filled(c: dict[str, Floats], u: Floats, length: float, stops: Sequence[tuple[float, float]]) -> dict[str, Floats]:
    """The same frames, with others put between where they are far apart in time, and the time stood put in."""
    parts = np.maximum(np.ceil(np.diff(c["t_s"]) * RATE_HZ / 1.5), 1.0).astype(np.intp)
    first = np.repeat(np.arange(len(parts)), parts)
    node = first + (np.arange(len(first)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[first]
    out = {name: np.interp(node, np.arange(len(u)), values) for name, values in c.items()}
    place = np.interp(node, np.arange(len(u)), u)
    for name in ("x_m", "y_m", "z_m"):
        out[name] = CubicSpline(u, c[name])(place)
    for name in ("gear", "wheels_off", "in_pit", "traction_control", "anti_lock"):
        out[name] = c[name][first]
    out["lap"] = np.floor(place)
    out["lap_distance_m"] = (place - out["lap"]) * length
    for where, seconds in stops:
        at, n = int(np.searchsorted(place, where)), round(seconds * RATE_HZ)
        still = {name: np.full(n, values[at - 1]) for name, values in out.items()}
        still |= {"speed_mps": np.zeros(n), "throttle": np.zeros(n), "brake": np.full(n, 0.3), "gear": np.zeros(n)}
        still["t_s"] = still["t_s"] + np.arange(1, n + 1) / RATE_HZ
        out["t_s"] = np.where(np.arange(len(place)) < at, out["t_s"], out["t_s"] + seconds)
        out = {name: np.concatenate([values[:at], still[name], values[at:]]) for name, values in out.items()}
        place = np.concatenate([place[:at], np.full(n, where), place[at:]])
    return out


def within(u: Floats, begin: float, end: float, ease: float = 0.02) -> Floats:
    """1 between two places [laps driven], 0 outside, eased over ``ease`` laps within; (n,)."""
    return plateau(u, begin, begin + ease, end - ease, end)


def beside(what: Drive, base: Faultless, left_m: Floats) -> Drive:
    """The drive moved to the left of where it went (n,) [m]; wheels that leave the road are counted."""
    c, u = what.channels, what.driven(base.circuit.length_m)
    dx, dy = np.gradient(c["x_m"], u), np.gradient(c["y_m"], u)
    size = np.maximum(np.hypot(dx, dy), 1e-9)
    # a standing car has no direction of its own
    return Drive({**c, "x_m": c["x_m"] - left_m * dy / size, "y_m": c["y_m"] + left_m * dx / size}, what.lap_start)
