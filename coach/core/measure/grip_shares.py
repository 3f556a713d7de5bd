"""Shares of the car's limits that a pass used, relative to the reference: grip in the corner, engine on the exit.

A car on a wet road uses about the same share of the reference's grip in every corner; a slow driver uses little at one
of them; and a tighter line uses as much as the reference at a lower speed.
"""

from __future__ import annotations

import math
from typing import Final

import msgspec
import numpy as np

from coach.core.columns import Floats
from coach.core.measure.passes import CornerReference, PassRecord
from coach.core.measure.trace import Trace
from coach.core.numeric.reductions import median
from coach.core.track.car import Car

OVER_M: Final = 20.0
"""Averaging length of lateral acceleration, against path noise (common practice)."""
FULL: Final = 0.95
FEWEST: Final = 20
"""Least nodes of full throttle to compare engines."""
NOISY_M: Final = 0.1
"""Position noise above which curvature is less reliable than speed alone."""
_NAN: Final = float("nan")


def unused_mps(speed_mps: float, share: float) -> float:
    """Return by how much a car that uses ``share`` of its grip could be faster on its own path; inf if unknown.

    v^2 = a / kappa: faster by v (share^-1/2 - 1), never below 0.
    """
    return max(speed_mps * (1.0 / math.sqrt(share) - 1.0), 0.0) if share > 0.0 else math.inf


class Use(msgspec.Struct, frozen=True):
    """Shares of the reference's use: ``grip`` is the largest lateral one (a ratio of accelerations), ``power`` of the
    engine at full throttle, ``push`` the share of its full throttle at which this pass was at full throttle too.
    ``slowest`` is the grip used around the slowest place, ``exit`` the least share from there to the full throttle,
    along and across together. ``braking`` is the distance in which the reference slows as much, over the distance that
    the pass took up to the reference's slowest place: who waits there or brakes lightly takes longer. NaN where
    pass or reference do not determine it.
    """

    grip: float
    power: float
    push: float
    slowest: float = _NAN
    braking: float = _NAN
    exit: float = _NAN


class UsedThere:
    """The reference's use at one corner, computed once."""

    def __init__(self, reference: CornerReference, car: Car) -> None:
        self.trace, self.car = reference.trace, car
        zone = reference.zone
        self._part = slice(self.trace.index(zone.turn_in_m), self.trace.index(zone.exit_m) + 1)
        # where the engine limits the speed, the grip is unknown
        self.limited = zone.brake_m == zone.brake_m or not bool((self.trace.throttle[self._part] >= FULL).all())
        self.most = _most(self.trace, self._part)
        self.slowest = float(self.trace.speed_mps[self._part].min())
        self._at_slowest = _at_slowest(self.trace, self._part)
        at = self._part.start + int(self.trace.speed_mps[self._part].argmin())
        self._slowest_at = at
        opens = np.flatnonzero(self.trace.throttle[at:] >= FULL)
        self._exit = slice(at, at + int(opens[0]) if len(opens) else self._part.stop)
        self._on_exit = _both_ways(self.trace, self._exit)
        self._brake_m = reference.measures["brake_start_m"]
        gear = self.trace.gear[self._part]
        self.gears = frozenset(int(g) for g in np.unique(gear[gear >= 1.0]))
        """The gears that the reference uses between turn-in and exit."""
        self._full = self.trace.throttle >= FULL
        self._theirs = self._power(self.trace)

    def use(self, driven: PassRecord, base_m: float) -> Use:
        """Return the use of a whole pass; ``base_m`` is how far its lap lies behind lap 0."""
        trace = driven.trace
        if trace is None:
            return Use(_NAN, _NAN, _NAN)
        shift = round((trace.u_m[0] - base_m - self.trace.u_m[0]) / trace.step_m)
        part = slice(max(self._part.start - shift, 0), max(self._part.stop - shift, 0))
        # hills affect both alike
        power = self._power(trace) / self._theirs if self._theirs > 0.0 else _NAN
        return Use(
            self._grip(trace, part),
            power,
            self._push(trace, shift),
            self._slow(trace, part),
            self._braking(driven, base_m),
            self._way_out(trace, shift),
        )

    def _grip(self, trace: Trace, part: slice) -> float:
        if not self.limited or part.stop - part.start < 3:
            return _NAN
        most = _most(trace, part)
        by_speed = float(trace.speed_mps[part].min() ** 2 / self.slowest**2)
        if trace.place_noise_m < NOISY_M and most == most and self.most > 0.0:
            # a tighter path lowers the speed, a wider one the grip: less grip is there only if both are low
            return max(most / self.most, by_speed)
        return by_speed

    def _slow(self, trace: Trace, part: slice) -> float:
        """Return the share of grip used where the pass is slowest; NaN if the path is too noisy."""
        if not self.limited or part.stop - part.start < 3 or trace.place_noise_m >= NOISY_M:
            return _NAN
        return _at_slowest(trace, part) / self._at_slowest if self._at_slowest > 0.0 else _NAN

    def _braking(self, driven: PassRecord, base_m: float) -> float:
        """Return the braking distance the reference needs, as a share of this pass's; uses speed only."""
        start, trace = driven.measures.get("brake_start_m", _NAN), driven.trace
        if trace is None or start != start or self._brake_m != self._brake_m:
            return _NAN
        end = float(self.trace.u_m[self._slowest_at])
        before, after = trace.at("speed_mps", start + base_m), trace.at("speed_mps", end + base_m)
        if not end - start > OVER_M or not before > after:
            return _NAN
        return self._needs_m(before, after) / (end - start)

    def _needs_m(self, before: float, after: float) -> float:
        """Return the distance in which the reference slows between two speeds [m]; outside its range, the car."""
        v = np.minimum.accumulate(self.trace.speed_mps[self.trace.index(self._brake_m) : self._slowest_at + 1])
        high, low = float(v[0]), float(v[-1])
        u = np.arange(len(v)) * self.trace.step_m
        inside = np.interp([-before, -after], -v, u)
        more = self.car.braking_m(max(low, high, after), before) if before > high else 0.0
        rest = self.car.braking_m(after, min(low, before)) if after < low else 0.0
        return float(inside[1] - inside[0]) + more + rest

    def _way_out(self, trace: Trace, shift: int) -> float:
        first = max(self._exit.start, shift)
        part = slice(first - shift, max(self._exit.stop - shift, 0))
        mine = _both_ways(trace, part)
        if not len(mine) or trace.place_noise_m >= NOISY_M:
            return _NAN
        theirs = self._on_exit[first - self._exit.start :][: len(mine)]
        return float((mine / theirs).min())

    def _power(self, trace: Trace) -> float:
        """Return the engine's power at full throttle [W/kg]."""
        v, span = trace.speed_mps, max(int(OVER_M / 2.0 / trace.step_m), 1)
        held = trace.throttle >= FULL
        full = held[span:-span] & held[: -2 * span] & held[2 * span :]
        if int(np.count_nonzero(full)) < FEWEST:
            return _NAN
        gain = (v[2 * span :] ** 2 - v[: -2 * span] ** 2)[full] / (4.0 * span * trace.step_m)
        speed = v[span:-span][full]
        return median((gain + self.car.drag_pm * speed**2) * speed)

    def _push(self, trace: Trace, shift: int) -> float:
        first = max(shift, 0)
        mine, theirs = trace.throttle[first - shift :], self._full[first:]
        n = min(len(mine), len(theirs))
        full = int(np.count_nonzero(theirs[:n]))
        if full < FEWEST or not math.isfinite(float(mine[0])):
            return _NAN
        return int(np.count_nonzero(mine[:n][theirs[:n]] >= FULL)) / full


def _at_slowest(trace: Trace, part: slice) -> float:
    """Return the mean lateral acceleration over OVER_M around the slowest place of ``part`` [m/s^2]."""
    at, half = part.start + int(trace.speed_mps[part].argmin()), int(OVER_M / 2.0 / trace.step_m)
    near = slice(max(at - half, 0), at + half + 1)
    return float(np.abs(trace.speed_mps[near] ** 2 * trace.curvature_pm[near]).mean())


def _most(trace: Trace, part: slice) -> float:
    """Return the largest mean lateral acceleration over OVER_M within ``part`` [m/s^2]."""
    lateral: Floats = np.abs(trace.speed_mps[part] ** 2 * trace.curvature_pm[part])
    half = max(int(OVER_M / 2.0 / trace.step_m), 1)
    total = np.concatenate(([0.0], lateral.cumsum()))
    span = min(2 * half, len(lateral))
    return float((total[span:] - total[:-span]).max() / span)


def _both_ways(trace: Trace, part: slice) -> Floats:
    """Return the means over OVER_M of the total acceleration, along and across the path, in ``part`` [m/s^2]."""
    span = max(int(OVER_M / trace.step_m), 1)
    energy = trace.speed_mps[part] ** 2 / 2.0
    if len(energy) < span:
        return np.empty(0)
    total = np.hypot(np.gradient(energy, trace.step_m), 2.0 * energy * trace.curvature_pm[part]).cumsum()
    return np.asarray((total[span - 1 :] - np.concatenate(([0.0], total[:-span]))) / span)
