from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.optimize import lsq_linear
from scipy.sparse import csr_array, random_array
from scipy.spatial import cKDTree

from feeds.practice import circuit_from_centre_line, faultless, hollow_ridge
from feeds.practice.car import CAR_HALF_WIDTH_M
from feeds.practice.faultless import Faultless
from feeds.practice.racing_line import box_least_squares, racing_line
from feeds.practice.segments import Segment, circuit_from_pieces


@pytest.fixture(scope="module")
def base() -> Faultless:
    return faultless(hollow_ridge())


def test_the_circuit_is_closed_and_of_a_usual_length() -> None:
    """3.5 to 5 km, even nodes, and the last node is one step from the first."""
    circuit = hollow_ridge()
    gaps = np.hypot(np.diff(circuit.x_m, append=circuit.x_m[0]), np.diff(circuit.y_m, append=circuit.y_m[0]))
    assert 3500 < circuit.length_m < 5000
    assert np.full(len(circuit), circuit.step_m) == pytest.approx(gaps, rel=2e-3)


def test_the_track_passes_near_itself_but_not_too_near() -> None:
    """Somewhere the centre line comes within 30 m of itself, never within 22 m."""
    circuit = hollow_ridge()
    points = np.column_stack([circuit.x_m, circuit.y_m])
    pairs = cKDTree(points).query_pairs(30.0, output_type="ndarray")
    apart = np.abs(pairs[:, 0] - pairs[:, 1])
    far = pairs[np.minimum(apart, len(circuit) - apart) > 60]
    assert len(far) > 0
    assert np.hypot(*(points[far[:, 0]] - points[far[:, 1]]).T).min() > 22.0


def test_the_circuit_has_what_a_coach_must_tell_apart(base: Faultless) -> None:
    """Eleven corners, heavy braking down and up hill, a light one, a crest, a chicane, corners leading on."""
    circuit = base.circuit
    by_name = {c.name: c for c in base.corners}
    grade = {n: float(circuit.at(circuit.grade, np.array([c.brake_m + 40.0]))[0]) for n, c in by_name.items()}
    speed = base.driven.speed_mps
    lost = {n: float(speed[round(c.brake_m)]) - c.slowest_mps for n, c in by_name.items()}
    assert [c.name for c in circuit.named] == list(by_name)
    assert 11 == len(by_name)
    assert grade["Quarry"] < -0.04
    assert lost["Quarry"] > 30.0
    assert grade["Tollgate"] > 0.04
    assert lost["Tollgate"] > 30.0
    assert 0.5 < lost["Kestrel"] < 8.0
    assert by_name["Larch"].turn_in_m - by_name["Gorse"].end_m < 30.0
    assert (by_name["Sluice In"].sign, by_name["Sluice Out"].sign) == (1, -1)
    assert float(np.min(circuit.bend_pm * speed**2)) < -2.0


def test_the_line_stays_on_the_asphalt(base: Faultless) -> None:
    """The whole car stays between the white lines."""
    room = np.minimum(base.circuit.left_m - base.offset_m, base.circuit.right_m + base.offset_m)
    assert room.min() > CAR_HALF_WIDTH_M


def test_the_line_is_faster_than_the_middle_of_the_road(base: Faultless) -> None:
    """The faultless line must be worth driving: seconds faster than the centre line."""
    middle = faultless(base.circuit, offset_m=np.zeros(len(base.circuit)))
    assert middle.lap_time_s - base.lap_time_s > 3.0


def test_box_least_squares_agrees_with_scipy() -> None:
    """The sparse solver finds what scipy.optimize.lsq_linear finds."""
    rng = np.random.default_rng(3)
    matrix = csr_array(random_array((120, 50), density=0.2, rng=rng))
    target = rng.standard_normal(120)
    low, high = np.full(50, -0.2), np.full(50, 0.3)
    theirs = lsq_linear(matrix.toarray(), target, bounds=(low, high), tol=1e-12).x
    ours = box_least_squares(matrix, target, low, high)
    assert theirs == pytest.approx(ours, abs=1e-4)


def test_corner_places_are_in_order(base: Faultless) -> None:
    """Turn-in before apex before end; brake before release; corners one after the other."""
    for c in base.corners:
        assert c.turn_in_m < c.apex_m < c.end_m
        assert c.apex_m < c.exit_m
        assert c.brake_m < c.release_m <= c.throttle_m
    apexes = [c.apex_m for c in base.corners]
    assert sorted(apexes) == apexes


def test_starting_up_takes_no_longer_than_a_moment() -> None:
    """Circuit, line, speeds and corners in a bounded multiple of a plain loop on the same machine."""

    def loop() -> float:
        start = time.process_time()
        sum(i * i for i in range(2_000_000))
        return time.process_time() - start

    loop()
    unit = min(loop() for _ in range(3))
    start = time.process_time()
    faultless(hollow_ridge())
    assert (time.process_time() - start) / unit < 15.0


def test_an_oval_becomes_a_circuit_with_its_corners() -> None:
    """Any closed line will do: two straights and two ends, both left when driven counter-clockwise."""
    x, angle = np.linspace(-500.0, 500.0, 40), np.linspace(-np.pi / 2, np.pi / 2, 20)[1:-1]
    end = np.column_stack([500.0 + 100.0 * np.cos(angle), 100.0 * np.sin(angle)])
    side = np.column_stack([x, np.full(40, -100.0)])
    circuit = circuit_from_centre_line(np.vstack([side, end, -side, -end]), length_m=3000.0)
    corners = faultless(circuit).corners
    assert 3000.0 == pytest.approx(circuit.length_m, abs=0.5)
    assert [1, 1] == [c.sign for c in corners]


def test_a_wrong_centre_line_is_refused() -> None:
    """Too few points, points that are not numbers, pieces that do not close."""
    with pytest.raises(ValueError, match="at least 8"):
        circuit_from_centre_line(np.zeros((4, 2)))
    with pytest.raises(ValueError, match="finite"):
        circuit_from_centre_line(np.full((20, 2), np.nan))
    with pytest.raises(ValueError, match="do not close"):
        circuit_from_pieces("open", [Segment(100.0), Segment(0.0, 50.0, 360.0), Segment(30.0)], half_width_m=5.0,
                            line_at_m=0.0, heights=[(0.0, 0.0), (100.0, 0.0), (200.0, 0.0)])  # fmt: skip


def test_projecting_undoes_placing() -> None:
    """A point placed at a station and offset is found there again."""
    circuit = hollow_ridge()
    station = np.linspace(3.0, circuit.length_m - 3.0, 500)
    offset = 4.0 * np.sin(station / 37.0)
    at, beside = circuit.project(circuit.place(station, offset)[:, :2], station + 0.7)
    assert station == pytest.approx(at, abs=1e-6)
    assert offset == pytest.approx(beside, abs=1e-6)


def test_the_line_is_the_same_every_time() -> None:
    """No randomness in it."""
    assert np.array_equal(racing_line(hollow_ridge()), racing_line(hollow_ridge()))
