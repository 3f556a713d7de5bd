"""Samples a driven stretch as telemetry: continuous in time, at any frame rate.

A foot needs about 0.15 s to reach its pedal: position over time is averaged over that long (exactly, by its integral),
so speed and acceleration are its true derivatives, and lap times its crossings.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from feeds.frame import COUNTS, FLAGS, Floats, Frame
from feeds.practice.faultless import Faultless, pedals
from feeds.practice.planner import DrivenStretch


@dataclass(frozen=True)
class Noise:
    """``position_m``, ``speed_mps``: standard deviations; ``loss`` and ``duplicates``: shares of the frames;
    ``reorder``: by how many places a frame may be out of order.
    """

    position_m: float = 0.0
    speed_mps: float = 0.0
    loss: float = 0.0
    duplicates: float = 0.0
    reorder: int = 0


def add_noise(channels: dict[str, Floats], noise: Noise, seed: int) -> tuple[dict[str, Floats], Floats]:
    """Return channels (k,) as received, and the sent number of each frame; deterministic for a seed."""
    rng = np.random.default_rng([seed, 3])
    n = len(channels["t_s"])
    out = {name: values.copy() for name, values in channels.items()}
    for name in ("x_m", "y_m"):
        out[name] += noise.position_m * rng.standard_normal(n)
    out["speed_mps"] = np.maximum(out["speed_mps"] + noise.speed_mps * rng.standard_normal(n), 0.0)
    kept = np.flatnonzero(rng.random(n) >= noise.loss)
    kept = np.repeat(kept, 1 + (rng.random(len(kept)) < noise.duplicates))
    if noise.reorder:
        # a frame may be late by up to ``reorder`` places, no more
        kept = kept[np.argsort(np.arange(len(kept)) + rng.uniform(0.0, noise.reorder, len(kept)), kind="stable")]
    return {name: values[kept] for name, values in out.items()}, kept.astype(np.float64)


def frames_of(
    channels: dict[str, Floats], noise: Noise | None = None, seed: int = 0, first_seq: int = 0
) -> Iterator[Frame]:
    """Yield the frames of the channels in order of arrival; ``seq`` counts in sending order from ``first_seq``."""
    number = np.arange(len(channels["t_s"]), dtype=np.float64)
    if noise is not None:
        channels, number = add_noise(channels, noise, seed)
    names = list(channels)
    columns = [
        c.astype(np.int64).tolist() if n in COUNTS else (c > 0.5).tolist() if n in FLAGS else c.tolist()
        for n, c in channels.items()
    ]
    for row in zip((number + first_seq).astype(np.int64).tolist(), *columns, strict=True):
        yield Frame(seq=row[0], **dict(zip(names, row[1:], strict=True)))


FOOT_S = 0.15
CHANNELS = (
    "t_s", "x_m", "y_m", "z_m", "lap_distance_m", "lap", "speed_mps", "throttle", "brake", "steer", "gear",
    "wheels_off", "in_pit", "traction_control", "anti_lock",
)  # fmt: skip
_ROWS = ("offset", "speed", "step", "curvature", "grade", "bend", "grip", "gear", "engine", "limited")
_TAIL_NODES = 150


@dataclass(frozen=True, eq=False)
class Sampled:
    """Channels (each (k,)) of the frames of a stretch, and the times at which finish lines were crossed."""

    channels: dict[str, Floats]
    crossings: dict[int, float]


class Sampler:
    """Samples successive stretches as frames at ``rate_hz``."""

    def __init__(self, base: Faultless, rate_hz: float) -> None:
        if not 1.0 <= rate_hz <= 1000.0:
            raise ValueError(f"rate: expected 1 to 1000 Hz, found {rate_hz}")
        self.base = base
        self.rate_hz = rate_hz
        self._rows = {name: np.empty(0) for name in _ROWS}
        self._first = 0
        self._t0 = 0.0
        self._from = FOOT_S / 2
        self._frame = int(np.ceil(self._from * rate_hz))

    def add(self, stretch: DrivenStretch) -> Sampled:
        """Add ``stretch`` and return the frames that are now final."""
        if not len(self._rows["speed"]):
            self._first = stretch.first
        path, driven = stretch.path, stretch.driven
        new = (stretch.offset_m, driven.speed_mps, path.step_m, path.curvature_pm, path.grade, path.bend_pm,
               path.grip, driven.gear, driven.engine_mps2, driven.traction_limited)  # fmt: skip
        # the last node of one stretch is the first of the next
        rows = {k: np.concatenate([self._rows[k][:-1], v]) for k, v in zip(_ROWS, new, strict=True)}
        clock = _Clock(rows["speed"], rows["step"], self._t0)
        until = clock.t[-1] - FOOT_S / 2
        stop = max(int(np.ceil(until * self.rate_hz)), self._frame)
        times = np.arange(self._frame, stop) / self.rate_hz
        out = Sampled(self._channels(rows, clock, times), self._crossings(clock, until))
        self._frame, self._from = stop, until
        tail = max(len(clock.t) - _TAIL_NODES, 0)
        self._t0, self._first = float(clock.t[tail]), self._first + tail
        self._rows = {k: v[tail:] for k, v in rows.items()}
        return out

    def _crossings(self, clock: _Clock, until: float) -> dict[int, float]:
        """Return lap number -> time at which that lap began, for the lines crossed since the last stretch."""
        m = len(self.base.circuit)
        out = {}
        for lap in range(-(-self._first // m), (self._first + len(clock.t) - 1) // m + 1):
            node = lap * m - self._first
            time = clock.when(float(clock.s[node]), float(clock.t[node]))
            if self._from <= time < until:
                out[lap] = time
        return out

    def _channels(self, rows: dict[str, Floats], clock: _Clock, times: Floats) -> dict[str, Floats]:
        circuit, car = self.base.circuit, self.base.car
        s, v, a = clock.smooth(times)
        # linear interpolation would make the speed along the track jump at every node of a tight corner
        node = CubicSpline(clock.s, np.arange(len(clock.s)))(s)
        whole = node.astype(np.intp)
        mix = {k: np.interp(node, np.arange(len(node_row)), node_row) for k, node_row in rows.items()}
        # and would kink the line there
        mix["offset"] = CubicSpline(np.arange(len(clock.s)), rows["offset"])(node)
        station = (self._first + node) * circuit.step_m
        points = circuit.place(station, mix["offset"])
        gear = rows["gear"][whole]
        throttle, brake = pedals(car, a, v, mix["grade"], rows["engine"][whole])
        angle = car.wheelbase_m * mix["curvature"] + car.understeer_rad_per_mps2 * v * v * mix["curvature"]
        lap = np.floor(station / circuit.length_m)
        off = self._wheels_off(station, mix["offset"])
        light = (v * v * mix["bend"] < -1.0) | (mix["grip"] < 0.97) | (off > 0)
        values = (
            times, points[:, 0], points[:, 1], points[:, 2], station - lap * circuit.length_m, lap, v, throttle,
            brake, np.clip(angle / car.steer_full_rad, -1.0, 1.0), gear, off, np.zeros(len(times)),
            (light & (mix["limited"] > 0.5) & (throttle > 0.2)).astype(np.float64),
            (light & (brake > 0.9)).astype(np.float64),
        )  # fmt: skip
        return dict(zip(CHANNELS, values, strict=True))

    def _wheels_off(self, station: Floats, offset: Floats) -> Floats:
        """Return the number of wheels beyond asphalt and kerb."""
        circuit, half = self.base.circuit, self.base.car.half_width_m
        off = np.zeros(len(station))
        left = circuit.left_m + circuit.kerb_width("left")
        right = circuit.right_m + circuit.kerb_width("right")
        for sign, edge in ((1.0, left), (-1.0, right)):
            width = circuit.at(edge, station)
            off += 2.0 * (sign * offset + half > width) + 2.0 * (sign * offset - half > width)
        return off


class _Clock:
    """Time and place at nodes with constant acceleration between; averages over ``FOOT_S``."""

    def __init__(self, speed_mps: Floats, step_m: Floats, t0: float) -> None:
        self.v = speed_mps
        dt = 2.0 * step_m[:-1] / (speed_mps[1:] + speed_mps[:-1])
        self.t: Floats = t0 + np.concatenate([[0.0], np.cumsum(dt)])
        self.s: Floats = np.concatenate([[0.0], np.cumsum(step_m[:-1])])
        self.a: Floats = np.append(np.diff(speed_mps) / dt, 0.0)
        area = self.s[:-1] * dt + self.v[:-1] * dt**2 / 2 + self.a[:-1] * dt**3 / 6
        self.area: Floats = np.concatenate([[0.0], np.cumsum(area)])

    def _at(self, times: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the integral of position, position and speed at ``times`` (k,)."""
        k = np.clip(np.searchsorted(self.t, times, side="right") - 1, 0, len(self.t) - 1)
        d = times - self.t[k]
        s, v, a = self.s[k], self.v[k], self.a[k]
        return self.area[k] + s * d + v * d**2 / 2 + a * d**3 / 6, s + v * d + a * d**2 / 2, v + a * d

    def smooth(self, times: Floats) -> tuple[Floats, Floats, Floats]:
        """Return place, speed and acceleration at ``times`` (k,), averaged."""
        after, before = self._at(times + FOOT_S / 2), self._at(times - FOOT_S / 2)
        s, v, a = ((p - q) / FOOT_S for p, q in zip(after, before, strict=True))
        return s, v, a

    def when(self, place_m: float, guess_s: float) -> float:
        """Return the time at which the averaged place is ``place_m`` (Newton from ``guess_s``)."""
        time = guess_s
        for _ in range(20):
            s, v, _a = self.smooth(np.array([time]))
            change = (place_m - float(s[0])) / float(v[0])
            time += change
            if abs(change) < 1e-10:
                break
        return time
