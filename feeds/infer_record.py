"""Throttle and brake of a whole record: runs the model of :mod:`feeds.infer` forward and backward to avoid lag."""

from __future__ import annotations

import math

import numpy as np

from feeds.frame import Floats
from feeds.infer import MAX_GAP_S, PedalScale, predict, speed_noise


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
