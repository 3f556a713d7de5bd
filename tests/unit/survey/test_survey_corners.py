"""Corners and reference: each intended one found, none invented, places where they belong, time exact at each place."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from compound_bench import SETTINGS, recorded, score
from compound_circuits import compound_circuit
from survey_tracks import CIRCUITS, Track, circuit, drive, from_points

from coach.core.columns import Columns
from coach.core.track.projection import ReferenceLine
from coach.core.track.reference import REFERENCE_COLUMNS, Reference
from coach.core.values import Corner
from coach.survey import Survey, survey
from coach.survey.corners import find, lane
from coach.survey.places import corners_of
from feeds.practice.faultless import faultless
from feeds.practice.hollow_ridge import hollow_ridge
from feeds.practice.sampling import Noise
from feeds.practice.simulate import simulate


def assert_intended(track: Track, s: Survey, within: float) -> None:
    assert [way for _, way in track.apexes] == [c.direction for c in s.corners]
    for (apex, _), corner in zip(track.apexes, s.corners, strict=True):
        assert abs(corner.apex_m - apex) < within, corner


@pytest.mark.parametrize("rate", [10.0, 60.0])
@pytest.mark.parametrize("name", list(CIRCUITS))
def test_each_intended_corner_and_none_invented(name: str, rate: float) -> None:
    """Clean: order, direction and number as intended, apex within 7 m of the middle of the arc."""
    track = circuit(name)
    assert_intended(track, survey(drive(track, laps=3, rate=rate, lateral=1.0).columns), 7.0)


@pytest.mark.parametrize("rate", [20.0, 60.0, 100.0])
@pytest.mark.parametrize("name", list(CIRCUITS))
def test_noise_does_not_move_corners(name: str, rate: float) -> None:
    """0.3 m and 0.1 m/s of noise, four laps: the same corners, apex within 10 m."""
    track = circuit(name)
    d = drive(track, laps=4, rate=rate, noise=0.3, speed_noise=0.1, seed=11)
    assert_intended(track, survey(d.columns), 10.0)


def test_corners_do_not_depend_on_lap_car_or_session() -> None:
    """A slower car, another session, another lap as reference: same names, directions, apex within 8 m."""
    track = circuit("long")
    first = survey(drive(track, laps=4, seed=1).columns)
    other = [
        survey(drive(track, laps=4, seed=2).columns, reference_lap=2, previous=first.reference),
        survey(drive(track, laps=4, seed=3, grip=9.0).columns),
        survey(drive(track, laps=6, seed=4, noise=0.1, speed_noise=0.05, lateral=2.0).columns),
    ]
    for s in other:
        assert [(c.name, c.direction) for c in first.corners] == [(c.name, c.direction) for c in s.corners]
        for a, b in zip(first.corners, s.corners, strict=True):
            assert abs(a.apex_m - b.apex_m) < 8.0


@pytest.mark.parametrize("name", list(CIRCUITS))
def test_places_are_in_order_and_do_not_overlap(name: str) -> None:
    """brake <= turn-in <= apex <= exit <= end, and each corner ends before the next begins (what a profile asks)."""
    s = survey(drive(circuit(name), laps=3).columns)
    for c in s.corners:
        places = [c.brake_m, c.turn_in_m, c.apex_m, c.exit_m, c.end_m]
        known = [p for p in places if p == p]
        assert known == sorted(known)
        assert 0 <= known[0] < s.reference.length_m
        assert c.boards_m == (), "no recording tells which boards stand at a circuit"
    for a, b in pairwise(s.corners):
        start = b.turn_in_m if b.brake_m != b.brake_m else b.brake_m
        assert a.end_m <= start


def test_brake_place_is_where_the_pedal_is_first_pressed() -> None:
    """The brake place of each braked corner is where the recorded pedal of the reference lap passes 5 %, within 2 m."""
    track = circuit("long")
    d = drive(track, laps=1)
    s = survey(d.columns)
    c = d.columns
    lap = (c["t_s"] >= d.passages[0]) & (c["t_s"] < d.passages[1])
    at, brake = c["lap_distance_m"][lap], c["brake"][lap]
    starts = at[1:][(brake[1:] > 0.05) & (brake[:-1] <= 0.05)]
    for corner in s.corners:
        if corner.brake_m == corner.brake_m:
            assert float(np.abs(starts - corner.brake_m).min()) < 2.0


@pytest.mark.parametrize("rate", [10.0, 60.0])
def test_time_at_each_place_is_exact(rate: float) -> None:
    """The reference's time at every node against the generator's own time there: within 1 ms, whole lap."""
    track = circuit("long")
    d = drive(track, laps=1, rate=rate)
    r = survey(d.columns).reference
    c = d.columns
    inside = (c["t_s"] > d.passages[0]) & (c["t_s"] < d.passages[1])
    scale = r.length_m / track.length
    from_frames = c["t_s"][inside] - d.passages[0]
    at = c["lap_distance_m"][inside] * scale
    # the time the reference gives where each frame was
    node = np.append(np.arange(len(r)) * r.step_m, r.length_m)
    got = np.interp(at, node, np.append(r.t_s, r.lap_time_s))
    assert float(np.abs(got - from_frames).max()) < 0.001
    assert abs(r.length_m - track.length) < 0.05
    assert r.step_m == pytest.approx(r.length_m / len(r), abs=1e-12)
    assert abs(r.step_m - 1.0) < 0.01


def test_the_ends_of_the_lap_meet() -> None:
    """A lap that ends 2 m beside its start is bent to meet: no kink in heading, no spike in curvature at the line."""
    track = circuit("long")
    r = survey(drive(track, laps=3, lateral=2.0, seed=5).columns).reference
    turn = np.angle(np.exp(1j * (r.heading_rad[0] - r.heading_rad[-1])))
    assert abs(turn) < 0.003
    near = np.concatenate([r.curvature_pm[-120:], r.curvature_pm[:120]])
    assert float(np.abs(near).max()) < 0.002
    assert float(np.hypot(r.x_m[0] - r.x_m[-1], r.y_m[0] - r.y_m[-1])) == pytest.approx(r.step_m, rel=0.01)


def test_edges_hold_every_valid_lap() -> None:
    """Each valid lap lies within the edges, less half a car; with two laps edges are unknown."""
    track = circuit("long")
    d = drive(track, laps=6, lateral=3.0, seed=6)
    s = survey(d.columns)
    r = s.reference
    c = d.columns
    inside = (c["t_s"] > d.passages[1]) & (c["t_s"] < d.passages[2])
    x, y = c["x_m"][inside], c["y_m"][inside]
    gap = np.hypot(x[:, None] - r.x_m[None, ::5], y[:, None] - r.y_m[None, ::5])
    place, offset, found = ReferenceLine(r).project(x, y, gap.argmin(axis=1) * 5.0 * r.step_m)
    left, right = r.at("left_m", place[found]), r.at("right_m", place[found])
    assert found.mean() > 0.99
    assert float((left - offset[found]).min()) > 0.8
    assert float((right + offset[found]).min()) > 0.8
    two = survey(drive(track, laps=2, seed=6).columns)
    assert np.isnan(two.reference.left_m).all()
    assert any("edges unknown" in note for note in two.notes)


@pytest.mark.parametrize("noise", [0.0, 0.3])
def test_the_practice_circuit(noise: float) -> None:
    """The built-in circuit with its own racing line: eleven corners as its maker meant them, apex within 10 m.

    Its truth is the point nearest the inside edge, which the survey cannot see; a flick and a double apex included.
    """
    ridge = hollow_ridge()
    base = faultless(ridge)
    run = simulate(base, 5, seed=2, noise=Noise(position_m=noise, speed_mps=noise / 3) if noise else None)
    s = survey(Columns.of(run.frames()))
    r = s.reference
    assert [c.direction for c in base.corners] == [c.direction for c in s.corners]
    for truth, corner in zip(base.corners, s.corners, strict=True):
        i = round(truth.apex_m / ridge.step_m) % len(ridge)
        x, y = ridge.place(np.array([i * ridge.step_m]), base.offset_m[i : i + 1])[0][:2]
        place = float(np.argmin(np.hypot(r.x_m - x, r.y_m - y))) * r.step_m
        assert abs(corner.apex_m % r.length_m - place) < 10.0, truth.name
    laps = [lap for lap in s.laps if lap.valid]
    assert len(laps) == 5
    for lap, true in zip(laps, run.lap_times_s, strict=True):
        assert abs(lap.time_s - true) < (0.006 if noise else 0.001)


def flat_lap(pieces: list[tuple[float, float]], v: float | None = None) -> list[Corner | object]:
    """Stretches found on a lap of (length, curvature) pieces, driven at 14 m/s2 (at most 60 m/s, or at ``v``)."""
    k = np.concatenate([np.full(int(n), c) for n, c in pieces])
    speed = np.minimum(np.sqrt(14.0 / np.maximum(np.abs(k), 1e-6)), 60.0) if v is None else np.full(len(k), v)
    # brake and accelerate at 8 m/s2
    for order in (range(len(k) - 2, -1, -1), range(1, len(k))):
        for i in order:
            j = i + 1 if order.step < 0 else i - 1
            speed[i] = min(speed[i], float(np.sqrt(speed[j] ** 2 + 16.0)))
    throttle = np.where(np.gradient(speed) > 0.02, 1.0, np.where(np.gradient(speed) < -0.02, 0.0, 0.5))
    return list(find(lane(1.0, speed, k, throttle, np.zeros(len(k)), True)))


STRAIGHT = (400.0, 0.0)
HAIRPIN = (60.0, 1 / 20)


@pytest.mark.parametrize(
    ("middle", "count"),
    [
        ([(60, 1 / 40), (20, 1 / 80), (60, 1 / 40)], 1),  # double apex, never straight
        ([(60, 1 / 40), (10, 0.0), (60, 1 / 40)], 1),  # double apex, hardly straight
        ([(60, 1 / 40), (200, 0.0), (60, 1 / 40)], 2),  # two corners of one direction with a straight between
        ([(30, 1 / 34), (30, 0.0), (30, -1 / 34)], 2),  # a chicane wide enough to be two
        ([(14, 1 / 30), (2, 0.0), (14, -1 / 30)], 1),  # a flick
        ([(20, 1 / 3000)], 0),  # a bend that asks nothing
        ([(60, 1 / 700), (60, -1 / 700)], 0),  # a change of side on a straight
        ([(150, 1 / 260)], 1),  # a fast corner, flat or nearly so, that loads the car
    ],
)
def test_merging_rules(middle: list[tuple[float, float]], count: int) -> None:
    """Double apexes, chicanes, kinks: merged or kept apart as the rules say."""
    found = flat_lap([STRAIGHT, HAIRPIN, STRAIGHT, *middle, STRAIGHT, HAIRPIN])
    assert 2 + count == len(found)


def two_in_one(brake: float, dab_m: int = 70) -> list[Corner | object]:
    """Corners of a lap with two right-handers in one bend: 34 to 56 and back to 40 m/s, the load never falls."""
    k = np.concatenate([np.zeros(400), np.full(80, 1 / 80), np.full(230, 1 / 170), np.full(80, 1 / 110), np.zeros(400)])
    v = np.full(len(k), 60.0)
    v[300:400] = np.linspace(60, 34, 100)
    v[400:480] = 34.0
    v[480:640] = np.linspace(34, 56, 160)
    v[640:710] = np.linspace(56, 40, 70)
    v[710:790] = 40.0
    v[790:990] = np.linspace(40, 60, 200)
    pedal = np.where(np.gradient(v) < -0.1, brake, 0.0)
    pedal[:400] = np.where(np.gradient(v)[:400] < -0.1, 0.8, 0.0)
    pedal[642 + dab_m :] = 0.0
    throttle = np.where(np.gradient(v) > 0.02, 1.0, 0.3)
    return list(find(lane(1.0, v, -k, throttle, pedal, True)))


def test_two_brakings_are_two_corners_though_the_load_never_falls() -> None:
    """The second braking makes a corner of its own; with the brake left alone it is a lift in one corner."""
    assert len(two_in_one(0.8)) == 2
    assert len(two_in_one(0.0)) == 1
    assert len(two_in_one(0.8, dab_m=12)) == 2, "0.25 s"
    assert len(two_in_one(0.8, dab_m=8)) == 1, "0.18 s"


def test_the_way_out_of_a_corner_is_no_corner() -> None:
    """A bend that only the growing speed loads belongs to the corner before; one that tightens again does not."""
    steady = [STRAIGHT, HAIRPIN, (260.0, 1 / 300)]
    assert len(flat_lap([*steady, STRAIGHT])) == 1
    assert len(flat_lap([STRAIGHT, HAIRPIN, (150.0, 1 / 900), (120.0, 1 / 300), STRAIGHT])) == 2


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("setting", SETTINGS)
def test_compound_circuits_on_any_receiver(seed: int, setting: str) -> None:
    """Two development circuits: every corner, none invented, and samples that were filled in are thinned and said."""
    truth = compound_circuit(seed)
    tally = score(survey(recorded(truth.track, setting, seed)), truth, setting)
    assert (tally.found, tally.invented, tally.lines) == (tally.corners, 0, [])
    assert tally.two_brakings > 0
    assert bool(tally.thinned) is setting.startswith(("filled", "held"))


def test_apex_kind_follows_the_line() -> None:
    """Tight first and opening is a late line, opening and then tight an early one, an even arc neither."""
    for radii, kind in (((30.0, 30.0), "mid"), ((24.0, 70.0), "late"), ((70.0, 24.0), "early")):
        corners = []
        for r in (40.0, 40.0, 40.0, radii):
            a, b = (r, r) if isinstance(r, float) else r
            corners += [(200.0, 0.0), (a * np.pi / 4, 1 / a), (b * np.pi / 4, 1 / b)]
        k = np.concatenate([np.full(int(n * 4), c) for n, c in corners])
        heading = np.cumsum(k) * 0.25
        xy = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]) * 0.25, axis=0)
        # the last straight takes up what is left, so that the line closes
        gap = xy[0] - xy[-1]
        xy = xy + np.outer(np.linspace(0, 1, len(xy)), gap)
        s = survey(drive(from_points(xy, 9, []), laps=1).columns)
        assert len(s.corners) == 4
        assert kind == s.corners[3].apex


def test_a_survey_of_twenty_laps_is_quick() -> None:
    """20 laps at 60 Hz: measured 0.5 s of processor time; 4 s is the promise."""
    import time

    d = drive(circuit("fast"), laps=20, rate=60.0, noise=0.05)
    start = time.process_time()
    survey(d.columns)
    assert time.process_time() - start < 4.0


@pytest.mark.parametrize(("pedal", "parts"), [(0.045, 0), (0.06, 1)])
def test_a_resting_foot_parts_no_bend(pedal: float, parts: int) -> None:
    """A second dip of the speed in one bend is a second braking from a twentieth of the pedal on."""
    at = np.arange(500.0)
    speed = np.interp(at, [0.0, 120.0, 200.0, 280.0, 400.0, 499.0], [45.0, 25.0, 29.0, 25.0, 45.0, 45.0])
    bend = np.where((at > 90.0) & (at < 320.0), 1 / 60, 0.0)
    brake = np.where((at > 200.0) & (at < 275.0), pedal, 0.0)
    assert len(lane(1.0, speed, bend, np.zeros(500), brake, False).parted) == parts


@pytest.mark.parametrize(("rise", "count"), [(0.012, 1), (0.018, 2)])
def test_two_apexes_are_told_apart_by_the_speed_between(rise: float, count: int) -> None:
    """A bend has two apexes if the car is faster by about one and a half hundredths between its slow places."""
    at = np.arange(600.0)
    speed = np.interp(at, [0, 230, 300, 370, 500, 599], [45.0, 25.0, 25.0 * (1.0 + rise), 24.99, 45.0, 45.0])
    bend = np.where((at > 200.0) & (at < 400.0), 1 / 50, 0.0)
    pedal = np.full(600, 0.5)
    flat = lane(1.0, speed, bend, pedal, np.zeros(600), False)
    columns: dict[str, Any] = dict.fromkeys(REFERENCE_COLUMNS, np.zeros(600))
    line = Reference("flat", closed=False, step_m=1.0, length_m=599.0, lap_time_s=30.0, **columns)
    corners = corners_of(line, flat, find(flat), 0.0)
    assert [len(corner.apexes_m) for corner in corners] == [count]
