"""The reachable lap: the driver's own line at the speed that his own envelope allows, as a reference like any other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.envelope.grip_use import lateral_limit
from coach.core.envelope.model import SLOWEST_MPS, Envelope
from coach.core.envelope.road import Road
from coach.core.envelope.speed_profile import speed_profile, travel_time
from coach.core.reference import Reference
from coach.survey.envelope.fit import Fitted, fit_envelope
from coach.survey.envelope.samples import Samples, samples_of
from coach.survey.survey import Survey

DRAW_STEP_M: Final = 3.0
KINK: Final = 1.1
"""Lateral use beyond the limit that no car was driven with: the position was wrong there."""


@dataclass(frozen=True, eq=False)
class Reach:
    """The envelope of a survey and, where it is whole, the fastest drive of the reference's line within it.

    ``speed_mps`` (n,) at the reference's nodes and ``time_s`` (n + 1,) or (n,) from node 0, None where the envelope
    is not whole; ``drawn_s`` (draws, same) the times with the laps resampled.
    """

    fitted: Fitted
    samples: Samples
    road: Road
    speed_mps: Floats | None
    time_s: Floats | None
    drawn_s: Floats


def reach_of(survey: Survey) -> Reach | None:
    """Envelope and reachable speed from a survey; None without positions."""
    if survey.lines is None:
        return None
    samples = samples_of(survey.trace, survey.lines, survey.reference, survey.corners)
    fitted = fit_envelope(samples)
    road = _line_of(survey, samples)
    if not fitted.envelope.whole:
        return Reach(fitted, samples, road, None, None, np.empty((0, 0)))
    road = _drivable(road, survey.reference.speed_mps, fitted.envelope)
    speed = speed_profile(road, fitted.envelope)
    times = travel_time(road, speed)
    return Reach(fitted, samples, road, speed, times, _drawn(road, fitted.draws, times))


def _line_of(survey: Survey, samples: Samples) -> Road:
    """The reference lap's own line, its curvature with as little noise as the envelope's samples."""
    number = survey.reference_lap
    for row, k in zip(samples.rows.tolist(), samples.curvature, strict=True):
        if survey.laps[row].number == number:
            return samples.road.with_line(samples.road.step_m, k)
    return samples.road


def _drivable(road: Road, driven_mps: Floats, envelope: Envelope) -> Road:
    """The line without kinks that were driven far faster than the limit allows: they are errors of its position."""
    limit = lateral_limit(road, envelope, driven_mps, road.curvature_pm)
    most = KINK * limit / np.maximum(driven_mps, SLOWEST_MPS) ** 2
    return road.with_line(road.step_m, np.clip(road.curvature_pm, -most, most))


def _drawn(road: Road, draws: tuple[Envelope, ...], times: Floats) -> Floats:
    """Times at the nodes for each drawn envelope, (draws, times): on every few nodes, drawn against the same coarse."""
    every = max(1, round(DRAW_STEP_M / float(road.step_m[0])))
    coarse = _coarser(road, every)
    out = np.empty((len(draws), len(times)))
    at = np.concatenate(([0.0], np.cumsum(road.step_m)))[: len(times)]
    there = np.concatenate(([0.0], np.cumsum(coarse.step_m)))
    for i, envelope in enumerate(draws):
        t = travel_time(coarse, speed_profile(coarse, envelope))
        out[i] = np.interp(at, there[: len(t)], t)
    return out


def _coarser(road: Road, every: int) -> Road:
    """Every few nodes of a road; the last step of a closed one takes the rest."""
    pick = np.arange(0, len(road), every)
    step = np.add.reduceat(road.step_m, pick)
    parts = (road.curvature_pm, road.weight, road.lift_pm, road.slope_mps2)
    k, weight, lift, slope = (np.asarray(part[pick]) for part in parts)
    return Road(np.asarray(step), k, weight, lift, slope, road.closed)


def reachable_reference(driven: Reference, reach: Reach) -> Reference:
    """The driven reference's line at the reachable speed, with the pedals and gears that go with it."""
    assert reach.speed_mps is not None
    assert reach.time_s is not None
    n = len(driven)
    lap = float(reach.time_s[-1])
    return replace(driven, lap_time_s=lap, t_s=reach.time_s[:n].copy(), speed_mps=reach.speed_mps.copy())
