"""The best of the driver's own lines: chosen corner by corner, joined along the straights."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from simulated import columns_of

from coach.core.columns import Floats
from coach.core.track.road import road_of
from coach.core.track.speed_profile import speed_profile, travel_time
from coach.core.track.zones import Zone, zones
from coach.survey import survey
from coach.survey.envelope.lines import JOIN_M, Line, best_line
from coach.survey.envelope.reachable import Reach, reach_of, reachable_reference
from coach.survey.envelope.samples import Samples
from coach.survey.survey import Survey
from feeds.practice import Scatter, hollow_ridge, simulate

WIDER, TIGHTER = 0.9, 1.1


@cache
def surveyed(line_m: float = 0.4, position_m: float = 0.0) -> tuple[Survey, Reach]:
    """Laps of a driver whose line wanders."""
    found = survey(columns_of(simulate(hollow_ridge(), 6, seed=4, scatter=Scatter(1.0, line_m, 0.05))), circuit="test")
    if position_m:
        found = replace(found, trace=replace(found.trace, across_m=position_m))
    reach = reach_of(found)
    assert reach is not None
    return found, reach


def corners_of(found: Survey) -> tuple[Zone, ...]:
    return zones(found.corners, found.reference.length_m, found.reference.closed)


def far_corners() -> list[Zone]:
    """Corners with long straights on either side."""
    found = surveyed()[0]
    every = corners_of(found)
    return [z for a, z in zip((every[-1], *every[:-1]), every, strict=True) if min(a.straight_m, z.straight_m) > JOIN_M]


def two_laps(zone: Zone) -> Samples:
    """The reference's own line, and a lap with a wider arc through one corner and a tighter one through the others."""
    found, reach = surveyed()
    ref = found.reference
    u = np.arange(len(ref)) * ref.step_m
    road = road_of(ref)
    bend = np.where((u >= zone.turn_in_m) & (u <= zone.end_m), WIDER, TIGHTER)
    k = np.array([road.curvature_pm, road.curvature_pm * bend])
    return replace(reach.samples, curvature=k, offset_m=np.zeros((2, len(ref))), road=road)


def test_each_corner_gets_its_faster_line() -> None:
    """A wider arc is taken where it is, the tighter one of the same lap is not; elsewhere nothing changes."""
    found, reach = surveyed()
    ref, envelope = found.reference, reach.fitted.envelope
    zone = far_corners()[0]
    samples = two_laps(zone)
    line = best_line(samples, ref, corners_of(found), 0, envelope)
    assert line is not None
    inside = slice(round(zone.turn_in_m), round(zone.end_m))
    assert {1} == set(line.rows[inside])
    other = far_corners()[1]
    assert {0} == set(line.rows[round(other.turn_in_m) : round(other.end_m)])
    times = []
    for row in (0, 1):
        road = samples.road.with_line(np.full(len(ref), ref.step_m), samples.curvature[row])
        times.append(travel_time(road, speed_profile(road, envelope))[-1])
    joined = travel_time(line.road, speed_profile(line.road, envelope))[-1]
    assert joined < min(times) - 0.01


def test_the_reference_lap_s_line_stays_where_it_is_the_best() -> None:
    """No other lap is better anywhere: no line."""
    found, reach = surveyed()
    samples = two_laps(far_corners()[0])
    only = replace(samples, curvature=samples.curvature[:1], offset_m=samples.offset_m[:1])
    assert best_line(only, found.reference, corners_of(found), 0, reach.fitted.envelope) is None


def drawn() -> tuple[Line, Floats, Floats]:
    """A joined line of real laps, its points and its length between them."""
    found, reach = surveyed()
    assert reach.line is not None
    made = reachable_reference(found.reference, reach)
    xy = np.column_stack([made.x_m, made.y_m])
    return reach.line, xy, np.hypot(*np.diff(xy, axis=0, append=xy[:1]).T)


def test_the_joined_line_is_a_line() -> None:
    """Steps and curvature are those of its own points: by a spline through them, away from the noise of a node."""
    line, xy, steps = drawn()
    assert line.road.step_m == pytest.approx(steps, abs=0.01)
    assert float(line.road.step_m.sum()) == pytest.approx(float(steps.sum()), abs=0.5)
    s = np.concatenate([[0.0], np.cumsum(steps)])
    spline = CubicSpline(s, np.vstack([xy, xy[:1]]), bc_type="periodic")
    d, dd = spline(s[:-1], 1), spline(s[:-1], 2)
    k = (d[:, 0] * dd[:, 1] - d[:, 1] * dd[:, 0]) / np.hypot(*d.T) ** 3
    smooth = np.ones(15) / 15.0
    ours, theirs = (np.convolve(a, smooth, mode="same")[20:-20] for a in (line.road.curvature_pm, k))
    assert ours == pytest.approx(theirs, abs=2e-3)
    assert float(np.abs(ours - theirs).mean()) < 2e-4


def test_the_best_own_lines_are_faster_than_the_reference_lap_s() -> None:
    """Never slower than the reference lap's own line, and by less than two in a hundred."""
    found, reach = surveyed()
    noisy = surveyed(0.4, 0.3)[1]
    assert noisy.line is None
    assert reach.line is not None
    assert 0.98 * noisy.lap_s < reach.lap_s < noisy.lap_s
    made = reachable_reference(found.reference, reach)
    assert made.lap_time_s == pytest.approx(reach.lap_s)
    assert (made.left_m + made.right_m) == pytest.approx(found.reference.left_m + found.reference.right_m)
