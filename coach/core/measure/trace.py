"""A trace: one pass over a stretch of track at the reference's nodes."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.locate.frame_buffer import FrameBuffer
from coach.core.measure.pedals import inferred, scale_of
from coach.core.numeric.filled import repeats, without_repeats
from coach.core.numeric.noise import PATH_MOTION, SPEED_MOTION, filled_noise
from coach.core.numeric.reductions import all_finite, largest, median
from coach.core.numeric.smoothing import last_slope, slope, smooth, span_for, time_for
from coach.core.track.car import slope_of
from coach.core.track.reference import Reference

PLACE_ERROR_M: Final = 0.06
"""Target error of a place along the line after smoothing [m]: about 1.5 ms at 40 m/s."""
SPEED_ERROR_MPS: Final = 0.04
LONGEST_SPAN_S: Final = 0.7
SHORT_SPAN_S: Final = 0.2
SHORT_M: Final = 50.0
"""A record that ends at most this far before the line [m] counts up to it."""
MARGIN_M: Final = 40.0
"""Smoothing includes frames this far beyond both ends [m]."""
_ABSENT: Final[Floats] = np.empty(0)
"""A flag without its channel."""


@dataclass(frozen=True)
class Trace:
    """Channels at the reference's nodes, all of shape (n,), NaN where absent.

    ``u_m`` runs on over the seam. ``curvature_pm`` is the car's own path's, NaN without positions. ``place_noise_m`` is
    the noise of positions along the line before smoothing [m]. The flags of the driver aids are empty where absent.
    """

    u_m: Floats
    t_s: Floats
    speed_mps: Floats
    throttle: Floats
    brake: Floats
    gear: Floats
    offset_m: Floats
    curvature_pm: Floats
    wheels_off: Floats
    steer: Floats
    place_noise_m: float = 0.0
    traction_control: Floats = field(default_factory=lambda: _ABSENT)
    anti_lock: Floats = field(default_factory=lambda: _ABSENT)

    @cached_property
    def looked_at(self) -> dict[tuple[int, int], Any]:
        """Cache of comparison results between two nodes, as each pass queries the same reference."""
        return {}

    @property
    def step_m(self) -> float:
        """Distance between nodes [m]."""
        return self._grid[1]

    @cached_property
    def _grid(self) -> tuple[float, float, int]:
        first, second = self.u_m[:2].tolist()
        return first, second - first, len(self.u_m) - 1

    def index(self, place_m: float) -> int:
        """Return the node nearest to ``place_m``, inside the trace."""
        first, step, last = self._grid
        return min(max(round((place_m - first) / step), 0), last)

    def at(self, name: str, place_m: float) -> float:
        """Return channel ``name`` at ``place_m``, linear between nodes."""
        first, step, last = self._grid
        u, values = self.u_m, getattr(self, name)
        if not first < place_m < u[last]:
            return float(values[0 if place_m <= first else last])
        i = min(int((place_m - first) / step), last - 1)
        # nodes are products of floats: the division may be off by one
        i += int(u[i + 1] <= place_m) - int(u[i] > place_m)
        here, there, low, high = float(u[i]), float(u[i + 1]), float(values[i]), float(values[i + 1])
        return low + (high - low) / (there - here) * (place_m - here)


def nodes(reference: Reference, low_m: float, high_m: float) -> Floats:
    """Return the reference's node places that enclose ``low_m`` to ``high_m`` [m]."""
    first, last = math.floor(low_m / reference.step_m), math.ceil(high_m / reference.step_m)
    places: Floats = np.arange(first, last + 1, dtype=np.float64) * reference.step_m
    return places


def reference_trace(reference: Reference, low_m: float, high_m: float) -> Trace:
    """Return the reference as a trace, to measure it like a pass."""
    u = nodes(reference, low_m, high_m)

    def at(name: str) -> Floats:
        return reference.at(name, u)

    zero = np.zeros(len(u)) if reference.has_line else np.full(len(u), np.nan)
    absent = np.full(len(u), np.nan)
    throttle, brake = at("throttle"), at("brake")
    if reference.inferred_pedals:
        throttle, brake = _inferred(reference, u, at("speed_mps"))
    return Trace(u, at("t_s"), at("speed_mps"), throttle, brake, at("gear"), zero, at("curvature_pm"), absent, absent)


def drive_trace(history: FrameBuffer, reference: Reference, low_m: float, high_m: float) -> Trace | None:
    """Return the trace from ``low_m`` to ``high_m`` [m]; None if frames are missing there.

    A record that begins up to MARGIN_M inside is carried on at its first speed, one that ends up to SHORT_M inside at
    its last speed and acceleration (None if it would stop): laps are often saved from line to line.

    The place along the line is the distance by speed plus its slowly changing difference to the projected place; only
    that difference is smoothed, and only as much as its noise requires, so a clean feed is unchanged.
    """
    rows = history.span(low_m - MARGIN_M, high_m + MARGIN_M)
    u, t, v = history.u_m[rows], history["t_s"][rows], history["speed_mps"][rows]
    if len(u) < 8 or u[0] > low_m + MARGIN_M or largest(u) < high_m - SHORT_M:
        return None
    # a position that repeats was held, and says nothing of the time since; of a car stationary nothing is lost by it
    held = repeats(history["x_m"][rows], history["y_m"][rows])
    new = None
    if held.any():
        v = without_repeats(t, v, held)
        new = ~held
    place, noise = _places(u, v, t, new)
    grid = nodes(reference, low_m, high_m)
    clock = _clock(grid, place, t, v)
    if clock is None:
        return None
    v, _ = _calmed(v, SPEED_MOTION, SPEED_ERROR_MPS, SHORT_SPAN_S, t)

    def at(values: Floats) -> Floats:
        return np.interp(grid, place, values)

    speed = at(v)
    offset = history.offset_m[rows]
    offset = at(offset) if new is None else np.interp(grid, place[new], offset[new])
    offset, curvature = _path(reference, grid, offset, noise)
    if reference.inferred_pedals:
        # inferred and measured pedals cannot be compared
        throttle, brake = _inferred(reference, grid, speed)
    else:
        throttle, brake = at(history["throttle"][rows]), at(history["brake"][rows])
    return Trace(
        grid,
        clock,
        speed,
        throttle,
        brake,
        _held(grid, place, history["gear"][rows]),
        offset,
        curvature,
        _held(grid, place, history["wheels_off"][rows]),
        at(history["steer"][rows]),
        noise,
        *(_flag(grid, place, history[name][rows]) for name in ("traction_control", "anti_lock")),
    )


def _flag(grid: Floats, place: Floats, values: Floats) -> Floats:
    """Return a flag at each node, where it was on since the node before; empty where its channel is absent."""
    if values[0] != values[0] and values[-1] != values[-1]:
        return _ABSENT
    on = np.zeros(len(grid))
    at = grid.searchsorted(place[values > 0.0])
    on[at[at < len(grid)]] = 1.0
    return on


def _clock(grid: Floats, place: Floats, t: Floats, v: Floats) -> Floats | None:
    """Return the time at each node [s]; before the first frame by its speed, beyond the last by speed and acceleration.

    None if the car would stop before the last node.
    """
    if grid[0] < place[0]:
        before = place[0] - grid[0] + 1.0
        place = np.concatenate(([place[0] - before], place))
        t, v = np.concatenate(([t[0] - before / max(v[0], 1.0)], t)), np.concatenate((v[:1], v))
    clock = np.interp(grid, place, t)
    over = int(grid.searchsorted(place[-1], "right"))
    if over < len(grid):
        speed, slope = max(float(v[-1]), 1.0), last_slope(t, v, LONGEST_SPAN_S)
        clock[over:] = t[-1] + np.array([time_for(way, speed, slope) for way in (grid[over:] - place[-1]).tolist()])
    return clock if clock[-1] == clock[-1] else None


def _held(grid: Floats, place: Floats, values: Floats) -> Floats:
    """Return a step channel at each node: the value of the first frame at or after it, else the last."""
    changes = (values[1:] != values[:-1]).nonzero()[0]
    if not len(changes):
        return np.full(len(grid), values[0])
    begins = np.concatenate(([0], grid.searchsorted(place[changes], "right"), [len(grid)]))
    return values[np.concatenate(([0], changes + 1))].repeat(begins[1:] - begins[:-1])


def _places(u: Floats, v: Floats, t: Floats, new: NDArray[np.bool_] | None) -> tuple[Floats, float]:
    """Return the place of each frame along the line, growing [m], and the noise found on the projected ones [m].

    ``new`` tells which frames have a position of their own, None if all do.
    """
    driven = np.zeros(len(u))
    (0.5 * (v[1:] + v[:-1]) * (t[1:] - t[:-1])).cumsum(out=driven[1:])
    # a sum propagates NaN
    if not math.isfinite(driven[-1]):
        driven = np.linspace(0.0, u[-1] - u[0], len(u))
    rest = u - driven
    if new is None:
        rest, noise = _calmed(rest, PATH_MOTION, PLACE_ERROR_M, LONGEST_SPAN_S, t)
    else:
        calm, noise = _calmed(rest[new], PATH_MOTION, PLACE_ERROR_M, LONGEST_SPAN_S, t[new])
        rest = np.interp(t, t[new], calm)
    return np.maximum.accumulate(driven + rest) + np.arange(len(u)) * 1e-9, noise


def _calmed(values: Floats, motion: float, wanted: float, longest_s: float, t: Floats) -> tuple[Floats, float]:
    """Return ``values`` at times ``t`` smoothed as their noise requires, and that noise; a clean feed is unchanged.

    The span counts measured samples: those filled in between bring no knowledge of their own.
    """
    dt = median(t[1:] - t[:-1])
    stride, noise = filled_noise(values, dt, motion, wanted)
    half = span_for(noise, wanted) * stride
    return smooth(values, min(half, int(longest_s / dt))) if half else values, noise


def _inferred(reference: Reference, grid: Floats, speed: Floats) -> tuple[Floats, Floats]:
    places = np.arange(len(reference)) * reference.step_m
    wrapped = np.mod(grid, reference.length_m) if reference.closed else grid
    rise = np.interp(wrapped, places, slope_of(reference))
    return inferred(speed, rise, reference.step_m, scale_of(reference))


def _path(reference: Reference, grid: Floats, offset: Floats, noise: float) -> tuple[Floats, Floats]:
    """Return smoothed offset [m] and the curvature of the car's own path [1/m] (Frenet: k = k0 / (1 - k0 n) + n'')."""
    if not all_finite(offset):
        return np.full(len(grid), np.nan), np.full(len(grid), np.nan)
    # published law: sigma_k = sqrt(6) sigma / L^2; the half span L [m] keeps it under 1/400 per metre
    half = int(min(max(math.sqrt(math.sqrt(6.0) * max(noise, 0.01) / 0.0025), 5.0), 18.0) / reference.step_m)
    own = smooth(offset, half, 3)
    bend = slope(slope(own, reference.step_m), reference.step_m)
    first = round(float(grid[0]) / reference.step_m)
    base = reference.on_nodes("curvature_pm", first, first + len(grid) - 1)
    return own, base / np.maximum(1.0 - base * own, 0.2) + bend
