"""Headroom of a session: the typical pass of each corner against the reachable lap, ranked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from coach.app.rerun.rerun import Rerun
from coach.core.columns import Floats
from coach.core.measure.grip_meter import GripMeter, acceleration, meter_of
from coach.core.measure.grip_use import PHASES, phase_places, shares
from coach.core.measure.headroom import CornerRoad, Headroom, TypicalPass, headroom
from coach.core.measure.passes import PassRecord
from coach.core.track.reference import Reference
from coach.core.track.speed_profile import speed_profile, travel_time

FEWEST_PASSES: Final = 3
POINT_M: Final = 6.0
"""Distance between points of a picture [m]."""


@dataclass(frozen=True, eq=False)
class SessionHeadroom:
    """The reachable lap's time and each corner's headroom, the largest first; ``missing`` gives the reason if there is
    none.
    """

    reachable_s: float | None
    corners: tuple[Headroom, ...]
    missing: str
    at_least: bool = False
    """Whether the car may have more than it has shown, so that the headroom is no less than this."""


def session_headroom(result: Rerun, reference: Reference, counts: Sequence[PassRecord]) -> SessionHeadroom:
    """Return the headroom of counting passes against the envelope of the reference's laps."""
    shown, meter = reference.shown, meter_of(reference)
    if shown is None or meter is None:
        return SessionHeadroom(None, (), "")
    if not shown.envelope.whole:
        return SessionHeadroom(None, (), "headroom unknown: the laps of the survey never showed the car's limits")
    envelope = shown.envelope.times(shown.share)
    draws = tuple(one.times(shown.share) for one in shown.draws if one.whole)
    reach = reference.speed_mps if shown.reachable else speed_profile(meter.road, envelope)
    out = []
    for corner, zone in enumerate(result.pipeline.track_model.zones):
        passes = [d for d in counts if d.corner == corner and d.trace is not None]
        if len(passes) < FEWEST_PASSES:
            continue
        here = CornerRoad(meter.road, zone, reach)
        speeds = np.array([_on(here.u_m, d) for d in passes])
        times = [here.seconds(v) for v in speeds]
        spread = float(np.std(times, ddof=1) / math.sqrt(len(times)))
        asked = (
            median_of(passes, name) for name in ("grip_use_braking", "grip_use_entry", "throttle_start_m", "coast_s")
        )
        out.append(headroom(corner, here, envelope, draws, _usual(speeds), TypicalPass(spread, *asked)))
    ranked = tuple(sorted(out, key=lambda h: -h.total_s))
    # nodes of a reachable lap lie beside those of the driven line, not a step apart
    lap_s = reference.lap_time_s if shown.reachable else float(travel_time(meter.road, reach)[-1])
    return SessionHeadroom(lap_s, ranked, "", shown.at_least)


def _on(u_m: Floats, driven: PassRecord) -> Floats:
    assert driven.trace is not None
    return np.interp(u_m, driven.trace.u_m - _lap_m(driven), driven.trace.speed_mps)


def _usual(speeds: Floats) -> Floats:
    """Return the speed that takes the mean time at each node: (passes, n) -> (n,)."""
    return np.asarray(1.0 / np.mean(1.0 / np.maximum(speeds, 1.0), axis=0))


def median_of(passes: Sequence[PassRecord], name: str) -> float:
    """Return the median of a measure over passes, NaN where none has it."""
    values = [d.measures[name] for d in passes if d.measures.get(name, math.nan) == d.measures.get(name, math.nan)]
    return float(np.median(values)) if values else math.nan


def grip_points(meter: GripMeter, passes: Sequence[PassRecord]) -> dict[str, Floats]:
    """Return lateral and longitudinal share of the limit of passes at one corner, by phase, each (2, points)."""
    found: dict[str, list[Floats]] = {phase: [] for phase in PHASES}
    for d in passes:
        if d.trace is None:
            continue
        trace = d.trace
        both = shares(meter.under(trace), meter.envelope, trace.speed_mps, trace.curvature_pm, acceleration(trace))
        stride = max(round(POINT_M / trace.step_m), 1)
        for phase, (low, high) in phase_places(d.zone, d.measures.get("brake_start_m", math.nan) + _lap_m(d)).items():
            points = both[:, trace.index(low) : trace.index(high) : stride]
            found[phase].append(points[:, np.isfinite(points).all(axis=0)])
    return {phase: np.concatenate(rows, axis=1) for phase, rows in found.items() if rows}


def _lap_m(driven: PassRecord) -> float:
    """Return the offset from places within the lap to places along the pass's trace [m]."""
    return driven.zone.apex_m - driven.zone.corner.apex_m
