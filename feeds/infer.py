"""Infers unmeasured channels from motion: speed from position, throttle and brake from acceleration.

Inferred pedals are estimates: they show when the car is braked or driven, and how hard relative to the hardest seen so
far. They do not separate lifting from light braking, nor work for a car that stands or slides. Gradients count as
pedal. A feed marks them as inferred, so that the coach asks for nothing finer.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final

import msgspec
import numpy as np

from feeds.frame import MAX_SPEED_MPS, Floats, Frame


def smooth_acceleration(t_s: Floats, speed_mps: Floats) -> tuple[Floats, Floats, float]:
    """Return speed, acceleration (both shape (n,)) and the acceleration's standard deviation, of a whole record at
    once.

    Runs the same model forward and backward (Rauch, Tung & Striebel 1965) to avoid lag. Times must increase; the filter
    restarts after gaps of more than a second.
    """
    n = len(t_s)
    noise = speed_noise(speed_mps)
    r = noise**2
    state = np.zeros((n, 2))
    cov = np.zeros((n, 3))
    ahead = np.zeros((n, 2))
    ahead_cov = np.zeros((n, 3))
    fresh = np.zeros(n, dtype=bool)
    v, a, p = 0.0, 0.0, (1.0, 0.0, 25.0)
    for i in range(n):
        dt = t_s[i] - t_s[i - 1] if i else math.inf
        if not 0.0 < dt <= MAX_GAP_S:
            v, a, p = float(speed_mps[i]), 0.0, (r, 0.0, 25.0)
            fresh[i] = True
        else:
            v, a, p = predict(v, a, p, float(dt))
            ahead[i], ahead_cov[i] = (v, a), p
            gain_v, gain_a = p[0] / (p[0] + r), p[1] / (p[0] + r)
            miss = float(speed_mps[i]) - v
            v, a = v + gain_v * miss, a + gain_a * miss
            p = ((1 - gain_v) * p[0], (1 - gain_v) * p[1], p[2] - gain_a * p[1])
        state[i], cov[i] = (v, a), p
    smooth = state.copy()
    smooth_var = cov[:, 2].copy()
    var = cov[-1].copy() if n else np.zeros(3)
    for i in range(n - 2, -1, -1):
        if fresh[i + 1]:
            var = cov[i].copy()
            continue
        dt = float(t_s[i + 1] - t_s[i])
        p0 = np.array([[cov[i, 0], cov[i, 1]], [cov[i, 1], cov[i, 2]]])
        p1 = np.array([[ahead_cov[i + 1, 0], ahead_cov[i + 1, 1]], [ahead_cov[i + 1, 1], ahead_cov[i + 1, 2]]])
        gain = p0 @ np.array([[1.0, 0.0], [dt, 1.0]]) @ np.linalg.inv(p1)
        smooth[i] = state[i] + gain @ (smooth[i + 1] - ahead[i + 1])
        later = np.array([[var[0], var[1]], [var[1], var[2]]])
        now = p0 + gain @ (later - p1) @ gain.T
        var = np.array([now[0, 0], now[0, 1], now[1, 1]])
        smooth_var[i] = var[2]
    sigma = float(np.sqrt(np.median(np.maximum(smooth_var, 0.0)))) if n else 0.0
    return smooth[:, 0], smooth[:, 1], sigma


def pedals_of_record(t_s: Floats, speed_mps: Floats) -> tuple[Floats, Floats]:
    """Return throttle and brake, each of shape (n,), of a whole record; NaN where the speed is NaN."""
    throttle = np.full(len(t_s), np.nan)
    brake = np.full(len(t_s), np.nan)
    known = np.isfinite(speed_mps) & np.isfinite(t_s)
    v, a, sigma = smooth_acceleration(t_s[known], speed_mps[known])
    scale = PedalScale()
    for speed, acceleration in zip(v, a, strict=True):
        scale.learn(float(speed), float(acceleration), sigma)
    pairs = [scale.pedals(float(s), float(b), sigma) for s, b in zip(v, a, strict=True)]
    if pairs:
        throttle[known], brake[known] = np.array(pairs).T
    return throttle, brake


JERK_DENSITY: Final = 60.0
"""White jerk [m^2/s^5]: a car goes from full throttle to 10 m/s^2 of braking in about 0.3 s, several times a lap."""
_MIN_NOISE_MPS: Final = 0.02
_MAX_NOISE_MPS: Final = 1.0
_FIRST_NOISE_MPS: Final = 0.1
_NOISE_FRAMES: Final = 60
MAX_GAP_S: Final = 1.0
_COAST_MPS2: Final = 0.6
"""Rolling and engine drag of a coasting car; an estimate, no source."""
_DRAG_PM: Final = 4e-4
"""Air drag [1/m] of such a car (deceleration over speed squared); an estimate, no source."""
_FIRST_BRAKING_MPS2: Final = 6.0
_FIRST_DRIVE_MPS2: Final = 2.0
_BIN_MPS: Final = 5.0
_SIGMAS: Final = 2.0
"""A pedal is reported only if the acceleration exceeds its noise by this many deviations."""


def coasting(speed_mps: float) -> float:
    """Return the deceleration [m/s^2] of a car coasting at ``speed_mps``."""
    return _COAST_MPS2 + _DRAG_PM * speed_mps * speed_mps


def speed_noise(speed_mps: Floats) -> float:
    """Return standard deviation [m/s] of white noise on evenly sampled speeds, from their second differences.

    The second difference of noise has six times its variance, that of a smooth speed nearly none; the median excludes
    the moments of braking (0.6745 is the median of a normal distribution's absolute value).
    """
    second = np.abs(np.diff(speed_mps, 2))
    second = second[np.isfinite(second)]
    if len(second) < 5:
        return _FIRST_NOISE_MPS
    noise = float(np.median(second)) / 0.6745 / math.sqrt(6.0)
    return min(max(noise, _MIN_NOISE_MPS), _MAX_NOISE_MPS)


class AccelerationFilter:
    """Speed and acceleration from noisy speeds: a Kalman filter with constant acceleration driven by white jerk.

    (Bar-Shalom, Li & Kirubarajan 2001, Estimation with Applications to Tracking and Navigation, section 6.2.2, the
    continuous white noise acceleration model, here one derivative higher: from memory.)
    """

    def __init__(self) -> None:
        self._t_s = math.nan
        self._v = self._a = 0.0
        self._p = (1.0, 0.0, 25.0)
        self._recent: deque[float] = deque(maxlen=_NOISE_FRAMES)
        self._noise = _FIRST_NOISE_MPS
        self._since = 0

    def push(self, t_s: float, speed_mps: float) -> tuple[float, float, float]:
        """Return speed [m/s], acceleration [m/s^2] and its standard deviation, now; times in order."""
        dt = t_s - self._t_s
        if not 0.0 < dt <= MAX_GAP_S:
            self._v, self._a, self._p = speed_mps, 0.0, (self._noise**2, 0.0, 25.0)
            self._t_s = t_s
            self._recent.clear()
            return speed_mps, 0.0, 5.0
        self._t_s = t_s
        self._measure_noise(speed_mps)
        v, a, (pvv, pva, paa) = predict(self._v, self._a, self._p, dt)
        r = self._noise**2
        gain_v, gain_a = pvv / (pvv + r), pva / (pvv + r)
        miss = speed_mps - v
        self._v, self._a = v + gain_v * miss, a + gain_a * miss
        self._p = ((1 - gain_v) * pvv, (1 - gain_v) * pva, paa - gain_a * pva)
        return self._v, self._a, math.sqrt(max(self._p[2], 0.0))

    def _measure_noise(self, speed_mps: float) -> None:
        self._recent.append(speed_mps)
        self._since += 1
        if self._since >= 10:
            self._since = 0
            self._noise = speed_noise(np.array(self._recent))


def predict(
    v: float, a: float, p: tuple[float, float, float], dt: float
) -> tuple[float, float, tuple[float, float, float]]:
    """Return speed, acceleration and their covariance (vv, va, aa) after ``dt`` [s]."""
    pvv, pva, paa = p
    q = JERK_DENSITY
    return (
        v + a * dt,
        a,
        (pvv + 2 * dt * pva + dt * dt * paa + q * dt**3 / 3, pva + dt * paa + q * dt * dt / 2, paa + q * dt),
    )


class PedalScale:
    """The hardest braking and acceleration so far, which define full brake and full throttle."""

    def __init__(self) -> None:
        self.braking_mps2 = _FIRST_BRAKING_MPS2
        self._drive: dict[int, float] = {}

    def learn(self, speed_mps: float, a_mps2: float, sigma: float) -> None:
        """Learn from one acceleration; ignore what may be noise."""
        self.braking_mps2 = max(self.braking_mps2, -a_mps2 - sigma)
        key = int(speed_mps / _BIN_MPS)
        self._drive[key] = max(self._drive.get(key, _FIRST_DRIVE_MPS2), a_mps2 - sigma)

    def pedals(self, speed_mps: float, a_mps2: float, sigma: float) -> tuple[float, float]:
        """Return throttle and brake, each 0..1; never both."""
        free = coasting(speed_mps)
        full = self._drive.get(int(speed_mps / _BIN_MPS), _FIRST_DRIVE_MPS2)
        driven = a_mps2 + free
        if driven > _SIGMAS * sigma or driven > 0.5 * (full + free):
            return min(driven / (full + free), 1.0), 0.0
        braked = -a_mps2 - free
        if braked > _SIGMAS * sigma:
            return 0.0, min(braked / max(self.braking_mps2 - free, 1.0), 1.0)
        return 0.0, 0.0


class LivePedals:
    """Throttle and brake frame by frame; they lag by about the filter's settling time (0.2 s at 10 Hz)."""

    def __init__(self) -> None:
        self._filter = AccelerationFilter()
        self._scale = PedalScale()

    def push(self, t_s: float, speed_mps: float) -> tuple[float, float]:
        """Return the current throttle and brake."""
        v, a, sigma = self._filter.push(t_s, speed_mps)
        self._scale.learn(v, a, sigma)
        return self._scale.pedals(v, a, sigma)


class LiveSpeed:
    """Speed from positions: a parabola through the last quarter second, evaluated at its end to avoid lag."""

    WINDOW_S: Final = 0.25

    def __init__(self) -> None:
        self._past: deque[tuple[float, float, float]] = deque()

    def push(self, t_s: float, a_m: float, b_m: float) -> float:
        """Return the speed [m/s] at ``a_m``, ``b_m``; NaN until three positions are known."""
        past = self._past
        if past and not (
            0.0 < t_s - past[-1][0] <= MAX_GAP_S and math.hypot(a_m - past[-1][1], b_m - past[-1][2]) < 100
        ):
            past.clear()
        past.append((t_s, a_m, b_m))
        while len(past) > 4 and t_s - past[0][0] > self.WINDOW_S:
            past.popleft()
        if len(past) < 4:
            return math.nan
        rows = np.array(past)
        dt = rows[:, 0] - t_s
        fit = np.linalg.lstsq(np.stack([dt * dt, dt, np.ones_like(dt)], axis=1), rows[:, 1:] - rows[-1, 1:], rcond=None)
        return float(np.hypot(fit[0][1, 0], fit[0][1, 1]))


class Completer:
    """Fills in speed, throttle and brake where ``given`` lacks them. ``adds`` names the filled fields."""

    def __init__(self, given: frozenset[str]) -> None:
        place = {"x_m", "y_m"} <= given or "lap_distance_m" in given
        self._flat = not {"x_m", "y_m"} <= given
        self._speed = LiveSpeed() if "speed_mps" not in given and place else None
        needs_pedals = not given & {"throttle", "brake"} and ("speed_mps" in given or place)
        self._pedals = LivePedals() if needs_pedals else None
        self._laps_m = 0.0
        self._last_m = math.nan
        self._step_m = 0.0
        self.adds: frozenset[str] = frozenset(
            ({"speed_mps"} if self._speed else set()) | ({"throttle", "brake"} if self._pedals else set())
        )

    def complete(self, frame: Frame) -> Frame:
        """Return the frame with its absent fields filled where that is possible."""
        if not self.adds:
            return frame
        changes: dict[str, float] = {}
        speed = frame.speed_mps
        if self._speed is not None and speed != speed:
            a, b = (self._along(frame.lap_distance_m), 0.0) if self._flat else (frame.x_m, frame.y_m)
            if a == a and b == b:
                speed = self._speed.push(frame.t_s, a, b)
                # two slightly wrong positions give a very wrong speed
                speed = speed if speed <= MAX_SPEED_MPS else math.nan
                changes["speed_mps"] = speed
        if self._pedals is not None and speed == speed and frame.throttle != frame.throttle:
            changes["throttle"], changes["brake"] = self._pedals.push(frame.t_s, speed)
        return msgspec.structs.replace(frame, **changes) if changes else frame

    def _along(self, distance_m: float) -> float:
        """Return the lap distance, unwrapped at the line."""
        if self._last_m - distance_m > 200.0:
            # the lap length is unknown: assume the step over the line equals the one before it
            self._laps_m += self._last_m + self._step_m - distance_m
        elif distance_m >= self._last_m:
            self._step_m = distance_m - self._last_m
        self._last_m = distance_m
        return self._laps_m + distance_m
