"""Samples of the laps in blocks of a few metres: speed, curvature, acceleration, each lap at the same places.

The curvature of one lap is noisy, that of all laps together less so: each lap's is shrunk towards the median of the
laps according to its noise (the share of the spread between laps that noise explains; James and Stein 1961, from
memory). A clean recording keeps each lap's own line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.track.reference import Reference
from coach.core.track.road import Road, road_of
from coach.core.values import Corner
from coach.survey.laps import Lap
from coach.survey.trace import Recording

BLOCK_M: Final = 5.0
FEWEST_PLACES: Final = 3
"""Places, or brakings in different places or laps, that show a limit (common practice, no source)."""
FULL: Final = 0.97
"""Least share of the largest throttle that counts as full."""


@dataclass(frozen=True, eq=False)
class LapLines:
    """Each lap on the reference's nodes, shapes (laps, n), NaN where unknown."""

    offset_m: Floats
    speed_mps: Floats
    curvature_pm: Floats
    laps: tuple[Lap, ...]


@dataclass(frozen=True, eq=False)
class Samples:
    """Blocks of valid laps. ``speed_mps``, ``curvature_pm``, ``accel_mps2``, ``full`` have shape (laps, blocks).

    ``accel_mps2`` is that of the car on the level, gravity taken out; ``full`` marks full throttle, ``pressed`` is
    the brake pedal's most, 0 to 1, each None without that pedal; ``locked`` marks anti-lock at work.
    ``weight``, ``lift_pm`` (blocks,) give the load as in ``Road``. ``corner`` (blocks,) is the index of the corner a
    block belongs to, from its brake point to its exit; -1 on a straight. ``curvature`` (laps, n) is that of
    ``LapLines`` with less noise, ``offset_m`` (laps, n) as there, ``rows`` the laps' rows there, ``spent_s`` (laps, n)
    the time from each node to the next.
    """

    speed_mps: Floats
    curvature_pm: Floats
    accel_mps2: Floats
    full: NDArray[np.bool_] | None
    pressed: Floats | None
    locked: NDArray[np.bool_]
    weight: Floats
    lift_pm: Floats
    corner: NDArray[np.intp]
    rows: NDArray[np.intp]
    curvature: Floats
    offset_m: Floats
    spent_s: Floats
    road: Road

    @property
    def load(self) -> Floats:
        """Share of the weight on the road, (laps, blocks)."""
        return np.asarray(np.maximum(self.weight + self.lift_pm * self.speed_mps**2, 0.1))


def samples_of(trace: Recording, lines: LapLines, reference: Reference, corners: tuple[Corner, ...]) -> Samples:
    """Return the samples of a survey's valid laps; ``lines`` holds every lap."""
    known = np.isfinite(lines.speed_mps).all(axis=1) & np.isfinite(lines.curvature_pm).all(axis=1)
    known &= np.isfinite(lines.offset_m).all(axis=1)
    rows = np.flatnonzero(known & np.array([lap.valid for lap in lines.laps], dtype=bool))
    v, d = lines.speed_mps[rows], lines.offset_m[rows]
    k = _less_noise(lines.curvature_pm[rows], v, trace.lateral_noise)
    road = road_of(reference)
    step = reference.step_m
    steps = step * np.hypot(1.0 - reference.curvature_pm * d, np.gradient(d, step, axis=1))
    width = max(round(BLOCK_M / step), 1)
    # a block needs the speed at both ends
    count = (len(reference) - 1) // width
    at = np.arange(count + 1) * width
    way = np.concatenate([np.zeros((len(v), 1)), np.cumsum(steps, axis=1)], axis=1)
    # over the block and half a block to either side: speed differences are noisier than curvature
    low, high = np.maximum(at[:-1] - width // 2, 0), np.minimum(at[1:] + width // 2, len(reference) - 1)
    accel = (v[:, high] ** 2 - v[:, low] ** 2) / (2.0 * (way[:, high] - way[:, low]))

    full, pressed, locked = _pedals(trace, [lines.laps[i] for i in rows], v, steps, width, count)

    def blocks(values: Floats) -> Floats:
        cut = values[..., : count * width]
        return np.asarray(cut.reshape(*cut.shape[:-1], count, width).mean(axis=-1))

    return Samples(
        speed_mps=blocks(v),
        curvature_pm=blocks(k),
        accel_mps2=accel + blocks(road.slope_mps2),
        full=full,
        pressed=pressed,
        locked=locked,
        weight=blocks(road.weight),
        lift_pm=blocks(road.lift_pm),
        corner=_corner_of(corners, np.asarray((np.arange(count) + 0.5) * width * step, dtype=np.float64), reference),
        rows=rows,
        curvature=k,
        offset_m=d,
        spent_s=steps / v,
        road=road,
    )


def _less_noise(curvature: Floats, speed: Floats, lateral_noise: float) -> Floats:
    """Return the curvatures (laps, n) shrunk towards their median over laps as far as noise explains their
    differences.
    """
    if len(curvature) < 3 or lateral_noise <= 0.0:
        return curvature
    usual = np.median(curvature, axis=0)
    noise = (lateral_noise / np.maximum(np.median(speed, axis=0), 5.0) ** 2) ** 2
    spread = np.mean((curvature - usual) ** 2, axis=0)
    own = np.clip(1.0 - noise / np.maximum(spread, 1e-12), 0.0, 1.0)
    return np.asarray(usual + own * (curvature - usual))


def _pedals(
    trace: Recording, laps: list[Lap], speed: Floats, steps: Floats, width: int, count: int
) -> tuple[NDArray[np.bool_] | None, Floats | None, NDArray[np.bool_]]:  # fmt: skip
    """Return full throttle all through each block, the brake pedal's most in it, and whether anti-lock came on there.

    Each (laps, blocks); None without that pedal.
    """
    full, locked = (np.zeros((len(laps), count), dtype=np.bool_) for _ in range(2))
    pressed = np.zeros((len(laps), count))
    for i, lap in enumerate(laps):
        clock = np.concatenate(([0.0], np.cumsum(steps[i] / speed[i])))
        clock = (lap.start + clock * (lap.stop - lap.start) / clock[-1])[: count * width]
        throttle, brake = trace.value("throttle", clock), trace.value("brake", clock)
        full[i] = throttle.reshape(count, width).min(axis=1) >= FULL * float(throttle.max(initial=0.0))
        full[i] &= np.isfinite(throttle).all()
        pressed[i] = brake.reshape(count, width).max(axis=1)
        locked[i] = (trace.held("anti_lock", clock).reshape(count, width) > 0.0).any(axis=1)
    has_throttle = bool(laps) and not np.isnan(trace.value("throttle", trace.clock[:1])).any()
    return full if has_throttle else None, pressed if laps and np.isfinite(pressed).all() else None, locked


def _corner_of(corners: tuple[Corner, ...], places: Floats, reference: Reference) -> NDArray[np.intp]:
    out = np.full(len(places), -1, dtype=np.intp)
    for i, corner in enumerate(corners):
        begin = corner.brake_m if corner.brake_m == corner.brake_m else corner.turn_in_m
        ahead = np.mod(places - begin, reference.length_m) if reference.closed else places - begin
        out[(ahead >= 0.0) & (ahead <= corner.end_m - begin)] = i
    return out
