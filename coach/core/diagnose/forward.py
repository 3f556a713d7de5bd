"""A corner of the reference driven again with other controls: what a fault does to speed, pedals and path.

A quasi-steady point mass on the reference's nodes, many drives side by side: no faster than grip holds the path
(v^2 = grip / curvature), backward by the brakes, forward by the engine within what the tyres can put down (Beckman
2000, parts 4 and 5, from memory). All limits are the reference's own, so that a drive with nothing changed is it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coach.core.columns import Floats
from coach.core.measure.trace import Trace
from coach.core.track.car import Car
from coach.core.track.zones import Zone

SLOWEST = 3.0
ROLLING_MPS2 = 0.6


@dataclass
class Drives:
    """Controls of drives, each array (drives, n), and what came of them."""

    cap: Floats
    """Energy per mass not to be exceeded [m^2/s^2]."""
    decel: Floats
    """What the brakes take off [m/s^2]."""
    throttle: Floats
    """The most throttle that is given."""
    brake: Floats
    """The least brake that is given [m/s^2]."""
    offset: Floats
    """Path beside the reference's, positive outside [m]."""
    gear: Floats
    start: Floats
    """Energy at the first node, (drives,)."""


class Forward:
    def __init__(self, trace: Trace, zone: Zone, measures: dict[str, float], car: Car) -> None:
        self.trace, self.zone, self.car, self.step = trace, zone, car, trace.step_m
        self.u = trace.u_m
        v = np.maximum(trace.speed_mps, SLOWEST)
        self.v = v
        self.energy = v * v / 2.0
        self.side = 1.0 if zone.corner.direction == "left" else -1.0
        n = len(v)
        self.gain = np.gradient(self.energy, self.step)
        self.brakes = np.nan_to_num(trace.brake)
        known = bool(np.isfinite(trace.throttle).any())
        self.pedals = known
        full = trace.throttle >= 0.95 if known else self.gain > 0.0
        self.full = full & (self.brakes <= 0.05)
        slow, start = measures["min_speed_at_m"], measures["brake_start_m"]
        self.slow = trace.index(slow)
        self.start = (
            trace.index(start)
            if start == start and start < slow
            else max(trace.index(min(zone.turn_in_m, slow - 10.0)), 0)
        )
        self.braked = start == start
        release = measures["brake_release_m"]
        self.release = trace.index(release) if release == release else self.slow
        drive = measures["throttle_start_m"]
        self.drive_from = max(trace.index(drive) if drive == drive else self.slow, self.slow)
        self.turn, self.apex, self.end = trace.index(zone.turn_in_m), trace.index(zone.apex_m), trace.index(zone.end_m)
        self.exit = trace.index(zone.exit_m)
        # hills and gears do what they did
        self.bend = np.nan_to_num(trace.curvature_pm) * self.side
        lateral = 2.0 * self.energy * np.abs(self.bend)
        inside = slice(self.turn, self.end + 1)
        k = max(int(20.0 / self.step), 1)
        smooth = np.convolve(lateral, np.ones(k) / k, "same")
        self.grip = max(float(smooth[inside].max()), 3.0)
        engine = car.power_wpkg / v - car.drag_pm * v * v
        self.other = np.where(self.full, self.gain - engine, 0.0)
        self.other = np.where(self.full, np.clip(self.other, -3.0, 3.0), 0.0)
        self.own_decel = np.where(self.brakes > 0.05, np.maximum(-self.gain, 0.5), np.asarray(car.decel(v)))
        # before its brake point the reference brakes as it does after
        first = slice(self.start, min(self.start + max(int(25.0 / self.step), 3), max(self.slow, self.start + 4)))
        ahead = float(np.quantile(self.own_decel[first], 0.7)) if self.braked else float(car.decel(v[self.start]))
        self.own_decel[: self.start + 3] = ahead
        spare = np.sqrt(np.maximum(self.grip**2 - lateral**2, 0.01))
        pulled = self.gain + car.drag_pm * v * v
        zone_out = slice(self.drive_from, max(self.end, self.drive_from + 5))
        ratio = pulled[zone_out] / spare[zone_out]
        self.traction = float(np.clip(np.quantile(ratio, 0.8), 0.3, 1.2))
        # a brake pedal's deceleration
        hard = self.brakes > 0.3
        self.per_pedal = (
            float(np.median((-self.gain - car.drag_pm * v * v)[hard] / self.brakes[hard])) if hard.sum() > 5 else 12.0
        )
        self.per_pedal = max(self.per_pedal, 4.0)

    def plain(self, drives: int) -> Drives:
        n = len(self.u)
        cap = np.where(self.full, 1e6, self.energy)
        # a straight before the brake is limited by the engine alone
        cap[: self.start] = np.where(self.full[: self.start], 1e6, self.energy[: self.start])

        def rows(a: Floats) -> Floats:
            return np.tile(a, (drives, 1)).astype(float)

        zero = np.zeros(n)
        return Drives(
            rows(cap), rows(self.own_decel), rows(zero + 1.0), rows(zero), rows(zero), rows(zero),
            np.full(drives, self.energy[0]),
        )  # fmt: skip

    def drive(self, d: Drives) -> tuple[Floats, Floats, Floats, Floats]:
        """Speed, brake, throttle and seconds lost at each node, all (drives, n)."""
        step, car = self.step, self.car
        y = d.offset
        second = np.gradient(np.gradient(y, step, axis=1), step, axis=1)
        # outside is the negative side of the bend
        bend = self.bend / np.maximum(1.0 + self.bend * y, 0.3) - second
        moved = np.abs(y).max(axis=1) > 0.0
        small = 0.15 * float(np.abs(self.bend[self.turn : self.end + 1]).max())
        ratio = (np.abs(self.bend) + small) / (np.abs(bend) + small)
        cap = np.where(moved[:, None], d.cap * np.clip(ratio, 0.3, 3.0), d.cap)
        limit = self.grip / np.maximum(2.0 * np.abs(bend), 1e-6)
        cap = np.where(
            moved[:, None] & self.full, np.minimum(cap, np.maximum(limit, self.energy * np.minimum(ratio, 1.0))), cap
        )
        h, n = cap.shape
        back = np.ascontiguousarray(cap.T)
        decel = np.ascontiguousarray((d.decel * step).T)
        for i in range(n - 2, -1, -1):
            np.minimum(back[i], back[i + 1] + decel[i], out=back[i])
        rolls = np.ascontiguousarray((d.throttle <= 0.0).T)
        gas = np.ascontiguousarray(d.throttle.T)
        stop = np.ascontiguousarray(d.brake.T)
        lat = np.ascontiguousarray(np.abs(bend).T)
        here = np.minimum(back[0], d.start)
        floor = SLOWEST**2 / 2.0
        out = np.empty((n, h))
        other = self.other.tolist()
        g2 = self.grip**2
        for i in range(n):
            here = np.maximum(np.minimum(here, back[i]), floor)
            out[i] = here
            v = np.sqrt(2.0 * here)
            spare = self.traction * np.sqrt(np.maximum(g2 - (2.0 * here * lat[i]) ** 2, 0.0))
            engine = car.power_wpkg / v + other[i]
            if self.full[i]:
                spare = np.maximum(spare, self.gain[i] + car.drag_pm * self.v[i] ** 2)
            a = (
                np.minimum(gas[i] * engine, spare)
                - np.where(rolls[i], ROLLING_MPS2, 0.0)
                - 2.0 * car.drag_pm * here
                - stop[i]
            )
            here = here + step * a
        energy = out.T
        speed = np.sqrt(2.0 * energy)
        return (
            speed,
            *self._pedals(energy, speed),
            np.cumsum((1.0 + np.where(moved[:, None], self.bend * y, 0.0)) * step / speed - step / self.v, axis=1),
        )

    def _pedals(self, energy: Floats, speed: Floats) -> tuple[Floats, Floats]:
        def model(e: Floats, v: Floats) -> tuple[Floats, Floats]:
            a = np.gradient(e, self.step, axis=-1) + self.car.drag_pm * v * v
            k = max(int(6.0 / self.step), 1)
            return np.clip((-a - ROLLING_MPS2) / self.per_pedal, 0.0, 1.0), np.clip(
                (a + ROLLING_MPS2) / (self.car.power_wpkg / v + ROLLING_MPS2), 0.0, 1.0
            )

        b0, t0 = model(self.energy, self.v)
        b1, t1 = model(energy, speed)
        same = np.abs(speed - self.v) < 1e-6
        return np.where(same, 0.0, b1 - b0), np.where(same, 0.0, t1 - t0)
