"""A corner of the reference driven again with other controls: what a fault does to speed, pedals and path.

A quasi-steady point mass on the reference's nodes, many drives side by side: no faster than grip holds the path
(v^2 = grip / curvature), backward by the brakes, forward by the engine within what the tyres can put down (Beckman
2000, parts 4 and 5, from memory). All limits are the reference's own, so that a drive with nothing changed is it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.measure.trace import Trace
from coach.core.track.car import Car
from coach.core.track.zones import Zone

SLOWEST_MPS: Final = 3.0
ROLLING_MPS2: Final = 0.6
"""Deceleration with neither pedal, beside its drag (common practice, no source)."""
GRIP_OVER_M: Final = 20.0
FREE: Final = 1e6
"""An energy that no car reaches: no limit."""
FULL: Final = 0.95
BRAKES: Final = 0.05


@dataclass
class Drives:
    """Controls of drives, arrays (drives, n) but for ``start``."""

    cap: Floats
    """Energy per mass not to be exceeded [m^2/s^2]."""
    decel: Floats
    """Deceleration by the brakes [m/s^2]."""
    throttle: Floats
    """The most throttle that is given (0..1)."""
    brake: Floats
    """The least braking that is done [m/s^2]."""
    offset: Floats
    """Path beside the reference's, positive outside [m]."""
    gear: Floats
    """Gears above the reference's."""
    start: Floats
    """Energy per mass at the first node, (drives,)."""


class Forward:
    """The reference over one corner as limits, and its places as nodes, for hypotheses to change."""

    def __init__(self, trace: Trace, zone: Zone, measures: dict[str, float], car: Car) -> None:
        self.car, self.step, self.u = car, trace.step_m, trace.u_m
        self.v = np.maximum(trace.speed_mps, SLOWEST_MPS)
        self.energy = self.v**2 / 2.0
        self._gain = np.gradient(self.energy, self.step)
        self._places(trace, zone, measures)
        brakes = np.nan_to_num(trace.brake)
        known = bool(np.isfinite(trace.throttle).any())
        self.full = (trace.throttle >= FULL if known else self._gain > 0.0) & (brakes <= BRAKES)
        side = 1.0 if zone.corner.direction == "left" else -1.0
        self.bend = np.nan_to_num(trace.curvature_pm) * side
        self._tyres()
        self.own_decel = self._braking(brakes)
        hard = brakes > 0.3
        shown = (-self._gain - car.drag_pm * self.v**2)[hard] / brakes[hard]
        self.per_pedal = max(float(np.median(shown)), 4.0) if len(shown) > 5 else 12.0
        """Deceleration of the whole brake pedal [m/s^2]."""
        # what hills and gears do at full throttle they do in each drive
        engine = car.power_wpkg / self.v - car.drag_pm * self.v**2
        self._other = np.where(self.full, np.clip(self._gain - engine, -3.0, 3.0), 0.0)

    def _places(self, trace: Trace, zone: Zone, measures: dict[str, float]) -> None:
        slow, start = measures["min_speed_at_m"], measures["brake_start_m"]
        release, drive = measures["brake_release_m"], measures["throttle_start_m"]
        self.slow = trace.index(slow)
        # without a braking the way in stands for it
        self.start = trace.index(start if start < slow else min(zone.turn_in_m, slow - 10.0))
        self.release = trace.index(release) if release == release else self.slow
        self.drive_from = max(trace.index(drive) if drive == drive else self.slow, self.slow)
        self.turn, self.apex = trace.index(zone.turn_in_m), trace.index(zone.apex_m)
        self.exit, self.end = trace.index(zone.exit_m), trace.index(zone.end_m)

    def _tyres(self) -> None:
        """Find the most grip sideways [m/s^2], and the share of the rest that drives the car out."""
        lateral = 2.0 * self.energy * np.abs(self.bend)
        over = max(int(GRIP_OVER_M / self.step), 1)
        held = np.convolve(lateral, np.ones(over) / over, "same")[self.turn : self.end + 1]
        self.grip = max(float(held.max()), 3.0)
        out = slice(self.drive_from, max(self.end, self.drive_from + 5))
        spare = np.sqrt(np.maximum(self.grip**2 - lateral**2, 0.01))
        share = (self._gain + self.car.drag_pm * self.v**2)[out] / spare[out]
        self._traction = float(np.clip(np.quantile(share, 0.8), 0.3, 1.2))

    def _braking(self, brakes: Floats) -> Floats:
        decel = np.where(brakes > BRAKES, np.maximum(-self._gain, 0.5), self.car.decel(self.v))
        # who begins before the reference brakes as hard as it does after
        first = slice(self.start, min(self.start + max(int(25.0 / self.step), 3), max(self.slow, self.start + 4)))
        decel[: self.start + 3] = np.quantile(decel[first], 0.7)
        return decel

    def plain(self, drives: int) -> Drives:
        """Return the reference's own controls, ``drives`` times."""

        def rows(a: Floats) -> Floats:
            return np.tile(a, (drives, 1))

        none = np.zeros(len(self.u))
        cap = np.where(self.full, FREE, self.energy)
        start = np.full(drives, self.energy[0])
        return Drives(
            rows(cap), rows(self.own_decel), rows(none + 1.0), rows(none), rows(none), rows(none), start
        )  # fmt: skip

    def drive(self, d: Drives) -> tuple[Floats, Floats, Floats, Floats]:
        """Return speed [m/s], brake and throttle beyond the reference's, and seconds lost so far: (drives, n)."""
        moved = (np.abs(d.offset).max(axis=1) > 0.0)[:, None]
        second = np.gradient(np.gradient(d.offset, self.step, axis=1), self.step, axis=1)
        bend = self.bend / np.maximum(1.0 + self.bend * d.offset, 0.3) - second
        energy = self._energy(d, np.where(moved, self._on_path(d.cap, bend), d.cap), np.abs(bend))
        speed = np.sqrt(2.0 * energy)
        longer = 1.0 + np.where(moved, self.bend * d.offset, 0.0)
        late = np.cumsum(self.step * (longer / speed - 1.0 / self.v), axis=1)
        return speed, *self._pedals(energy, speed), late

    def _on_path(self, cap: Floats, bend: Floats) -> Floats:
        """Return the energy that the same grip holds on another path."""
        small = 0.15 * float(np.abs(self.bend[self.turn : self.end + 1]).max())
        ratio = (np.abs(self.bend) + small) / (np.abs(bend) + small)
        held = cap * np.clip(ratio, 0.3, 3.0)
        # where the engine limits the reference, grip does if the path is tight enough
        limit = np.maximum(self.grip / np.maximum(2.0 * np.abs(bend), 1e-6), self.energy * np.minimum(ratio, 1.0))
        return np.where(self.full, np.minimum(held, limit), held)

    def _energy(self, d: Drives, cap: Floats, bend: Floats) -> Floats:
        step, drag = self.step, self.car.drag_pm
        back, decel = np.ascontiguousarray(cap.T), np.ascontiguousarray((d.decel * step).T)
        for i in range(len(back) - 2, -1, -1):
            np.minimum(back[i], back[i + 1] + decel[i], out=back[i])
        gas, stop, bends = (np.ascontiguousarray(a.T) for a in (d.throttle, d.brake, bend))
        rolls = np.where(gas <= 0.0, ROLLING_MPS2, 0.0)
        other, floor, most = self._other.tolist(), SLOWEST_MPS**2 / 2.0, self.grip**2
        # at full throttle the tyres have shown that they put down what the reference gained
        shown = np.where(self.full, self._gain + drag * self.v**2, 0.0).tolist()
        here, out = d.start, np.empty(back.shape)
        for i in range(len(back)):
            here = out[i] = np.maximum(np.minimum(here, back[i]), floor)
            spare = self._traction * np.sqrt(np.maximum(most - (2.0 * here * bends[i]) ** 2, 0.0))
            engine = self.car.power_wpkg / np.sqrt(2.0 * here) + other[i]
            pull = gas[i] * np.minimum(engine, np.maximum(spare, shown[i]))
            here = here + step * (pull - rolls[i] - 2.0 * drag * here - stop[i])
        return out.T

    def _pedals(self, energy: Floats, speed: Floats) -> tuple[Floats, Floats]:
        """Return the pedals that the accelerations ask for, less those that the reference's ask for."""

        def asked(energy: Floats, speed: Floats) -> tuple[Floats, Floats]:
            a = np.gradient(energy, self.step, axis=-1) + self.car.drag_pm * speed**2
            engine = self.car.power_wpkg / speed + ROLLING_MPS2
            return np.clip((-a - ROLLING_MPS2) / self.per_pedal, 0.0, 1.0), np.clip(
                (a + ROLLING_MPS2) / engine, 0.0, 1.0
            )

        brake, throttle = asked(energy, speed)
        own_brake, own_throttle = asked(self.energy, self.v)
        same = np.abs(speed - self.v) < 1e-6
        return np.where(same, 0.0, brake - own_brake), np.where(same, 0.0, throttle - own_throttle)
