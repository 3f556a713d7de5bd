"""The reference's geometry against independent packages, each named beside its check."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import shapely
import trajectory_planning_helpers as tph

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "survey"))

from survey_tracks import CIRCUITS, circuit, drive

from coach.survey import survey
from coach.survey.edges import beside
from coach.survey.laps import cut
from coach.survey.trace import tidy


def test_curvature_and_heading_against_trajectory_planning_helpers() -> None:
    """trajectory-planning-helpers (calc_head_curv_num) on the generator's own line gives our curvature and heading."""
    for name in CIRCUITS:
        track = circuit(name)
        r = survey(drive(track, laps=1).columns).reference
        el = np.full(len(track.s), track.length / len(track.s))
        psi, kappa = tph.calc_head_curv_num.calc_head_curv_num(
            path=np.column_stack([track.x, track.y]), el_lengths=el, is_closed=True
        )
        node = np.arange(len(r)) * r.step_m * track.length / r.length_m
        want = np.interp(node, track.s, kappa)
        assert float(np.abs(r.curvature_pm - want).max()) < 0.04 * float(np.abs(want).max()), name
        # its heading counts from north
        ours = r.heading_rad - np.pi / 2 - np.interp(node, track.s, np.unwrap(psi))
        assert float(np.abs(np.angle(np.exp(1j * ours))).max()) < 0.01, name


def test_offsets_of_laps_against_shapely() -> None:
    """shapely's distance of each lap from the reference line is the size of our offset at that place."""
    track = circuit("long")
    d = drive(track, laps=3, lateral=2.5, seed=8)
    s = survey(d.columns)
    r = s.reference
    trace = tidy(d.columns)
    laps = cut(trace).laps
    offset, _, _ = beside(trace, laps, r)
    ring = shapely.LinearRing(np.column_stack([r.x_m, r.y_m]))
    compared = 0
    for row, lap in zip(offset, laps, strict=True):
        i, j = np.searchsorted(trace.p_clock, [lap.start + 3, lap.stop - 3])
        for k in range(i, j, 23):
            point = shapely.Point(trace.xs[k], trace.ys[k])
            if lap.valid:
                place = ring.project(point)
                got = abs(float(np.interp(place, np.arange(len(r)) * r.step_m, row)))
                assert abs(got - point.distance(ring)) < 0.05
                compared += 1
    assert compared > 300


def test_length_against_shapely() -> None:
    """shapely's length of the closed line is the reference's length (chords of 1 m: short by under 0.05 %)."""
    r = survey(drive(circuit("hairpins"), laps=1).columns).reference
    length = shapely.LinearRing(np.column_stack([r.x_m, r.y_m])).length
    assert 0 <= r.length_m - length < 5e-4 * length
