"""Counterfactual cost of one fault: the reference's speed profile with that fault alone.

Each method changes the reference's speed from the zone's start to the start of the next zone and integrates the time:
cost = integral of (1 / v_changed - 1 / v_reference) over the place. The pass plays no part here, so its noise does not
enter.
"""

from __future__ import annotations

import numpy as np

from coach.core.columns import Floats
from coach.core.measure.trace import Trace
from coach.core.track.car import Car
from coach.core.track.zones import Zone

_SLOWEST_MPS = 3.0


class Counterfactual:
    """The reference over one corner and the straight after it, to simulate with a fault."""

    def __init__(self, reference: Trace, zone: Zone, measures: dict[str, float], car: Car) -> None:
        self.u = reference.u_m
        self.v = np.maximum(reference.speed_mps, _SLOWEST_MPS)
        self.step = reference.step_m
        self.zone = zone
        self.slow_m = measures["min_speed_at_m"]
        self.slow_mps = max(measures["min_speed_mps"], _SLOWEST_MPS)
        start = measures["brake_start_m"]
        self.brake_m = start if start == start else zone.turn_in_m
        drive = measures["throttle_start_m"]
        self.drive_m = max(drive if drive == drive else zone.apex_m, self.slow_m)
        throttle = reference.throttle
        full = throttle >= 0.95 if np.isfinite(throttle).any() else self.u > zone.exit_m
        pulling = np.where(self.u >= self.drive_m, np.nan_to_num(full.astype(float)), 0.0)
        self.fade = car.fade(self.v, pulling, self.step)

    def cost(self, changed: Floats) -> float:
        """Return the seconds that the speeds ``changed`` (shape of the trace) take longer than the reference's."""
        return float(np.trapezoid(1.0 / np.maximum(changed, _SLOWEST_MPS) - 1.0 / self.v, dx=self.step))

    def braking_earlier(self, metres: float) -> float:
        """Return the cost of the same braking ``metres`` earlier, then holding the minimum speed."""
        shifted = np.interp(np.minimum(self.u + metres, max(self.slow_m, self.u[0])), self.u, self.v)
        before = self.u <= self.slow_m
        return self.cost(np.where(before, np.minimum(self.v, np.maximum(shifted, self.slow_mps)), self.v))

    def braking_softer(self, strength: float) -> float:
        """Return the cost of braking with ``strength`` (0..1) of the reference's deceleration to the same minimum
        speed.
        """
        energy, floor = self.v**2 / 2.0, self.slow_mps**2 / 2.0
        at_start = np.interp(self.brake_m, self.u, energy)
        length = max(self.slow_m - self.brake_m, 5.0)
        slope = (at_start - floor) / length
        # extend the reference's braking line backwards
        line = np.where(self.u < self.brake_m, at_start + slope * (self.brake_m - self.u), energy)
        softer = np.sqrt(2.0 * (floor + strength * np.maximum(line - floor, 0.0)))
        return self.cost(np.where(self.u <= self.slow_m, np.minimum(self.v, softer), self.v))

    def slower(self, drop_mps: float) -> float:
        """Return the cost of a minimum speed lower by ``drop_mps``, with the same braking and acceleration."""
        lack = (self.slow_mps**2 - np.maximum(self.slow_mps - drop_mps, _SLOWEST_MPS) ** 2) / 2.0
        changed = np.sqrt(np.maximum(self.v**2 - 2.0 * lack * self._share(), _SLOWEST_MPS**2))
        return self.cost(changed)

    def _share(self) -> Floats:
        """Return each node's share of a lack at the slowest point: braking a little earlier, fading after."""
        begin = min(self.brake_m, self.slow_m - 10.0)
        ramp = np.clip((self.u - begin) / 5.0, 0.0, 1.0)
        return np.asarray(ramp * self.fade)

    def driving_later(self, metres: float) -> float:
        """Return the cost of holding the minimum speed ``metres`` longer, then the same acceleration."""
        late = np.interp(self.u - metres, self.u, self.v)
        late = np.where(self.u < self.drive_m + metres, np.interp(self.drive_m, self.u, self.v), late)
        lack = np.maximum(self.v**2 - late**2, 0.0) / 2.0
        # beyond the reference's full acceleration the lack fades as the engine compensates
        pulling = int(np.argmax(self.fade < 1.0)) if (self.fade < 1.0).any() else len(self.u) - 1
        pulling = max(pulling, int(np.searchsorted(self.u, self.drive_m + metres)))
        pulling = min(pulling, len(self.u) - 1)
        tail = lack[pulling] * self.fade / self.fade[pulling]
        lack = np.where(np.arange(len(self.u)) > pulling, tail, lack)
        changed = np.where(self.u > self.drive_m, np.sqrt(np.maximum(self.v**2 - 2.0 * lack, 9.0)), self.v)
        return self.cost(changed)

    def driving_softer(self, share: float) -> float:
        """Return the cost of acceleration weaker by ``share`` from the reference's throttle point to the
        corner's exit.
        """
        energy = self.v**2 / 2.0
        gain = np.maximum(np.diff(energy, prepend=energy[0]), 0.0)
        out = (self.u > self.drive_m) & (self.u <= max(self.zone.exit_m, self.drive_m + 30.0))
        lack = np.cumsum(np.where(out, share * gain, 0.0))
        last = int(np.flatnonzero(out)[-1]) if out.any() else 0
        tail = lack[last] * self.fade / max(float(self.fade[last]), 1e-3)
        lack = np.where(np.arange(len(self.u)) > last, tail, lack)
        return self.cost(np.sqrt(np.maximum(self.v**2 - 2.0 * lack, 9.0)))

    def arriving_slower(self, lack_mps: float) -> float:
        """Return the cost of arriving ``lack_mps`` slower: the lack fades until the braking, which then
        begins later.
        """
        begin = self.zone.start_m
        v0 = float(np.interp(begin, self.u, self.v))
        lack = (v0**2 - max(v0 - lack_mps, _SLOWEST_MPS) ** 2) / 2.0
        there = (self.u >= begin) & (self.u <= self.brake_m)
        return self.cost(np.where(there, np.sqrt(np.maximum(self.v**2 - 2.0 * lack, 9.0)), self.v))

    def leaving_slower(self, drop_mps: float) -> float:
        """Return the cost of an exit speed lower by ``drop_mps``: growing from the slowest point, fading after."""
        end = float(np.interp(self.zone.end_m, self.u, self.v))
        lack = (end**2 - max(end - drop_mps, _SLOWEST_MPS) ** 2) / 2.0
        rise = np.clip((self.u - self.drive_m) / max(self.zone.end_m - self.drive_m, 1.0), 0.0, 1.0)
        at_end = max(float(np.interp(self.zone.end_m, self.u, self.fade)), 1e-3)
        share = np.where(self.u <= self.zone.end_m, rise, self.fade / at_end)
        return self.cost(np.sqrt(np.maximum(self.v**2 - 2.0 * lack * share, 9.0)))
