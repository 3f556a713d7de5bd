"""A car on an invented closed course of about 2.6 km, with exact place, speed and pedals at every moment."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from feeds.frame import Frame

Floats = NDArray[np.float64]
GRIP_MPS2 = 12.0
BRAKING_MPS2 = 10.0
POWER_MPS2 = 5.0
TOP_MPS = 60.0
STEP_M = 0.5


class Loop:
    """The course on an even grid: place, curvature, the speed a car can have there, the time it takes."""

    def __init__(self) -> None:
        angle = np.linspace(0, 2 * np.pi, 40_001)
        radius = 380 + 110 * np.cos(3 * angle) + 40 * np.sin(5 * angle)
        x, y = radius * np.cos(angle), radius * np.sin(angle)
        way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
        n = int(way[-1] / STEP_M)
        self.length_m = float(way[-1])
        self.s = np.linspace(0, self.length_m, n + 1)
        self.x, self.y = np.interp(self.s, way, x), np.interp(self.s, way, y)
        heading = np.unwrap(np.arctan2(np.gradient(self.y), np.gradient(self.x)))
        self.curvature = np.gradient(heading, self.s)
        step = self.s[1]
        speed = np.minimum(TOP_MPS, np.sqrt(GRIP_MPS2 / np.maximum(np.abs(self.curvature), 1e-6)))
        for _ in range(2):  # twice around, so that the end meets the start
            for i in range(n, 0, -1):
                speed[i - 1] = min(speed[i - 1], np.sqrt(speed[i] ** 2 + 2 * BRAKING_MPS2 * step))
            speed[n] = speed[0]
            for i in range(n):
                speed[i + 1] = min(speed[i + 1], np.sqrt(speed[i] ** 2 + 2 * POWER_MPS2 * step))
            speed[0] = speed[n]
        self.speed = speed
        self.acceleration = np.gradient(speed**2, self.s) / 2
        self.t = np.concatenate([[0.0], np.cumsum(2 * step / (speed[1:] + speed[:-1]))])
        self.lap_time_s = float(self.t[-1])

    def frames(self, laps: float = 1.0, rate_hz: float = 60.0, start_m: float = 0.0) -> list[Frame]:
        """The car from ``start_m`` for ``laps`` laps; lap 1 begins at place 0."""
        first = float(np.interp(start_m, self.s, self.t))
        t = first + np.arange(int(laps * self.lap_time_s * rate_hz) + 1) / rate_hz
        lap = np.floor(t / self.lap_time_s)
        s = np.interp(t - lap * self.lap_time_s, self.t, self.s)
        at = {
            name: np.interp(s, self.s, getattr(self, name)) for name in ("x", "y", "speed", "curvature", "acceleration")
        }
        return [
            Frame(
                float(t[i] - first),
                x_m=float(at["x"][i]),
                y_m=float(at["y"][i]),
                z_m=float(5 * np.sin(2 * np.pi * s[i] / self.length_m)),
                lap_distance_m=float(s[i]),
                lap=int(lap[i]) + 1,
                speed_mps=float(at["speed"][i]),
                throttle=float(np.clip(at["acceleration"][i] / POWER_MPS2, 0, 1)),
                brake=float(np.clip(-at["acceleration"][i] / BRAKING_MPS2, 0, 1)),
                steer=float(at["curvature"][i] * 20),
                gear=int(at["speed"][i] // 12) + 1,
                wheels_off=0,
                in_pit=False,
            )
            for i in range(len(t))
        ]
