"""The faultless lap: line, speed and the places of each corner on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from feeds.frame import Floats
from feeds.practice.car import GRAVITY_MPS2, PracticeCar
from feeds.practice.circuit import Circuit
from feeds.practice.corner_places import Places, find_places
from feeds.practice.racing_line import racing_line
from feeds.practice.speed_profile import DriveResult, Path, lap_profile, travel_time


@dataclass(frozen=True, eq=False)
class Faultless:
    """A lap without fault or scatter; arrays (m,) at the nodes of the circuit's centre line."""

    circuit: Circuit
    car: PracticeCar
    offset_m: Floats
    path: Path
    driven: DriveResult
    limit_mps: Floats
    throttle: Floats
    brake: Floats
    lap_time_s: float
    corners: tuple[Places, ...]

    def corner(self, which: str | int) -> int:
        """Return the index of a corner from its name or index; raise ValueError with the known corners."""
        names = [c.name for c in self.corners]
        if isinstance(which, int) and 0 <= which < len(names):
            return which
        if which in names:
            return names.index(str(which))
        raise ValueError(f"expected a corner of {self.circuit.name}, {', '.join(names)}; found {which!r}")


def path_of(circuit: Circuit, station_m: Floats, offset_m: Floats) -> tuple[Path, Floats]:
    """Return the path at ``offset_m`` (n,) over even nodes ``station_m`` (n,), and its points (n, 3).

    The two nodes at each end take the curvature of their neighbour.
    """
    points = circuit.place(station_m, offset_m)
    d = np.gradient(points, axis=0)
    dd = np.empty_like(points)
    dd[1:-1] = points[2:] - 2.0 * points[1:-1] + points[:-2]
    dd[0], dd[-1] = dd[1], dd[-2]
    plan = np.hypot(d[:, 0], d[:, 1])
    curvature = (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0]) / plan**3
    curvature[:2], curvature[-2:] = curvature[2], curvature[-3]
    # remove residue of the optimiser's grid
    curvature = gaussian_filter1d(curvature, 1.5, mode="nearest")
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    grade = d[:, 2] / plan
    bend = np.gradient(grade) / plan
    return Path(np.append(step, step[-1]), curvature, grade, bend, np.ones(len(step) + 1)), points


def pedals(
    car: PracticeCar, accel_mps2: Floats, speed_mps: Floats, grade: Floats, engine_mps2: Floats
) -> tuple[Floats, Floats]:
    """Return throttle and brake, 0..1, that give ``accel_mps2``: from the tyre force required (all (n,))."""
    slope = GRAVITY_MPS2 * grade / np.sqrt(1.0 + grade**2)
    tyre = accel_mps2 + car.drag_pm * speed_mps**2 + car.rolling_mps2 + slope
    idle = car.engine_brake_mps2
    throttle = np.clip((tyre + idle) / np.maximum(engine_mps2 + idle, 0.1), 0.0, 1.0)
    brake = np.clip(-(tyre + idle) / (car.brake_full_mps2 - idle), 0.0, 1.0)
    # no partial pressure below a threshold: a foot is on a pedal or off it
    return np.where(throttle < 0.02, 0.0, throttle), np.where(brake < 0.01, 0.0, brake)


def faultless(circuit: Circuit, car: PracticeCar | None = None, offset_m: Floats | None = None) -> Faultless:
    """Drive the circuit without a fault; on ``offset_m`` (m,) if given, else on the line of least curvature."""
    car = car or PracticeCar()
    line = racing_line(circuit) if offset_m is None else offset_m
    pad = 16
    m = len(circuit)
    around = np.arange(-pad, m + pad)
    station: Floats = np.asarray(around * circuit.step_m, dtype=np.float64)
    path, _ = path_of(circuit, station, line[around % m])
    path = path.part(pad, m + pad)
    driven, limit = lap_profile(path, car)
    v = driven.speed_mps
    accel = (np.roll(v, -1) ** 2 - v**2) / (2.0 * path.step_m)
    throttle, brake = pedals(car, accel, v, path.grade, driven.engine_mps2)
    time = travel_time(np.append(path.step_m, 1.0), np.append(v, v[0]))[-1]
    corners = find_places(circuit, line, path, v, throttle, brake)
    return Faultless(circuit, car, line, path, driven, limit, throttle, brake, float(time), corners)
