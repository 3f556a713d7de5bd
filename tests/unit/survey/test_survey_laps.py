"""Laps: times against the exact passages of the generator, and each kind of refused lap by its name."""

from __future__ import annotations

import numpy as np
import pytest
from survey_tracks import CIRCUITS, Drive, circuit, drive

from coach.core.columns import Columns
from coach.survey import NoValidLap, SurveyError, survey
from coach.survey.laps import cut
from coach.survey.trace import tidy

TRACK = circuit("long")


def without(c: Columns, *names: str) -> Columns:
    out = Columns(c.data.copy())
    for name in names:
        out[name][:] = np.nan
    return out


def errors_s(d: Drive, c: Columns) -> list[float]:
    laps = [lap for lap in cut(tidy(c)).laps if lap.valid]
    true = np.diff(d.passages)
    assert len(true) == len(laps)
    return [abs(lap.time_s - t) for lap, t in zip(laps, true, strict=True)]


@pytest.mark.parametrize("rate", [10.0, 60.0, 360.0])
@pytest.mark.parametrize("name", list(CIRCUITS))
def test_clean_lap_times_are_within_a_millisecond(name: str, rate: float) -> None:
    """Whatever the rate, a clean recording gives lap times that do not carry the sampling."""
    d = drive(circuit(name), laps=3, rate=rate, lateral=2.0)
    assert max(errors_s(d, d.columns)) < 0.001


@pytest.mark.parametrize("rate", [20.0, 60.0, 100.0])
def test_noisy_lap_times_beat_one_sample_of_noise(rate: float) -> None:
    """0.3 m of noise at about 55 m/s is 5.5 ms a sample, 7.7 ms a lap; the fit leaves less than 3 ms of it (rms)."""
    found: list[float] = []
    for seed in range(3):
        d = drive(TRACK, laps=3, rate=rate, noise=0.3, speed_noise=0.1, seed=seed)
        found += errors_s(d, d.columns)
    assert float(np.sqrt(np.mean(np.square(found)))) < 0.003


def test_lap_counter_alone_places_the_line_within_a_sample() -> None:
    """Without lap distance the counter's frames pin the line; times stay exact."""
    d = drive(TRACK, laps=8, rate=60.0)
    c = without(d.columns, "lap_distance_m")
    assert max(errors_s(d, c)) < 0.001
    s = survey(c)
    assert float(np.hypot(s.reference.x_m[0] - TRACK.x[0], s.reference.y_m[0] - TRACK.y[0])) < 0.5


def test_positions_alone_are_enough() -> None:
    """No lap, no distance, no speed: the line is put on the longest straight and every corner is found."""
    d = drive(TRACK, laps=4, rate=60.0)
    c = without(d.columns, "lap", "lap_distance_m", "speed_mps", "throttle", "brake", "gear")
    s = survey(c)
    assert [way for _, way in TRACK.apexes] == _turned(s.corners, TRACK.apexes)
    assert sum(lap.valid for lap in s.laps) >= 3
    assert s.reference.inferred_pedals
    assert abs(s.reference.length_m - TRACK.length) < 0.5
    best = min(np.diff(d.passages))
    assert abs(s.reference.lap_time_s - best) < 0.02 * best


def _turned(corners: tuple[object, ...], apexes: list[tuple[float, str]]) -> list[str]:
    """Directions of the corners, turned so that they begin like the intended ones."""
    ways = [c.direction for c in corners]  # type: ignore[attr-defined]
    want = [way for _, way in apexes]
    for k in range(len(ways)):
        if ways[k:] + ways[:k] == want:
            return want
    return ways


def test_lap_distance_alone() -> None:
    """No positions: the lap is cut where the distance starts again, corners come from the speed."""
    d = drive(TRACK, laps=3, rate=60.0)
    c = without(d.columns, "x_m", "y_m", "lap")
    assert max(errors_s(d, c)) < 0.002
    s = survey(c)
    assert not s.reference.has_line
    assert np.isnan(s.reference.x_m).all()
    assert abs(s.reference.length_m - TRACK.length) < 0.5
    assert len(TRACK.apexes) == len(s.corners)


def test_lap_fraction_alone() -> None:
    """A fraction instead of metres: the metres come from the speed."""
    d = drive(TRACK, laps=3, rate=60.0)
    c = without(d.columns, "x_m", "y_m", "lap", "lap_distance_m")
    c["lap_fraction"][:] = d.columns["lap_distance_m"] / TRACK.length
    assert max(errors_s(d, c)) < 0.002
    assert abs(survey(c).reference.length_m - TRACK.length) < 1.0


def test_one_lap_cut_exactly_at_the_line() -> None:
    """A file of one lap from line to line, without a frame to spare, is a whole lap."""
    d = drive(TRACK, laps=2, rate=60.0)
    t = d.columns["t_s"]
    one = d.columns.where((t >= d.passages[0]) & (t < d.passages[1]))
    for names in ((), ("lap", "lap_distance_m"), ("lap_distance_m",)):
        s = survey(without(one, *names))
        assert abs(s.reference.lap_time_s - (d.passages[1] - d.passages[0])) < (0.003 if not names else 0.02)
        assert len(TRACK.apexes) == len(s.corners)


def test_a_clock_that_restarts_each_lap() -> None:
    """A file whose time is the lap time: the clock falls back at each line, the laps are still whole."""
    d = drive(TRACK, laps=3, rate=60.0, start_m=-2.0, after_m=2.0)
    c = Columns(d.columns.data.copy())
    inside = (c["t_s"] >= d.passages[0]) & (c["t_s"] < d.passages[-1])
    c = c.where(inside)
    start = np.searchsorted(d.passages, c["t_s"], side="right") - 1
    c["t_s"][:] -= d.passages[start]
    laps = [lap for lap in survey(c).laps if lap.valid]
    assert len(laps) == 3
    for lap, true in zip(laps, np.diff(d.passages), strict=True):
        assert abs(lap.time_s - true) < 0.005


def refused(c: Columns) -> dict[int, str]:
    return {lap.number: lap.reason for lap in survey(c).laps if lap.reason}


def invalid_reason(d: Drive, lap: int, at: float = 0.5) -> tuple[Columns, int]:
    c = Columns(d.columns.data.copy())
    when = d.passages[lap - 1] + at * (d.passages[lap] - d.passages[lap - 1])
    return c, int(np.searchsorted(c["t_s"], when))


def test_refused_laps_are_named() -> None:
    """Each spoiled lap, and only it, is refused for what was done to it."""
    d = drive(TRACK, laps=5, rate=60.0)
    base = {0: refused(d.columns)[0], 6: refused(d.columns)[6]}
    assert list(refused(d.columns)) == [0, 6]
    assert "incomplete" in base[6]

    c, i = invalid_reason(d, 2)
    c["wheels_off"][:] = 0.0
    c["wheels_off"][i : i + 30] = 4.0
    assert "cut" in refused(c)[2]
    assert {0, 2, 6} == set(refused(c))

    c, i = invalid_reason(d, 3)
    c["wheels_off"][:] = 0.0
    c["wheels_off"][i : i + 600] = 2.0
    assert {0, 6} == set(refused(c))

    c, i = invalid_reason(d, 3)
    c["in_pit"][:] = 0.0
    c["in_pit"][i : i + 120] = 1.0
    assert "pit" in refused(c)[3]

    c, i = invalid_reason(d, 3)
    keep = np.ones(len(c), dtype=bool)
    keep[i : i + 90] = False
    assert "gap of 1.5 s" in refused(c.where(keep))[3]

    c, i = invalid_reason(d, 4)
    c["y_m"][i : i + 200] += 300.0
    assert "teleport" in refused(c)[4]


def test_a_stopped_car_and_a_slow_lap() -> None:
    """A stop in the lap is named as such, a slow lap as too slow."""
    d = drive(TRACK, laps=4, rate=60.0)
    c, i = invalid_reason(d, 2)
    n = 180
    still = np.repeat(c.data[:, i : i + 1], n, axis=1)
    still[0] = c["t_s"][i] + np.arange(1, n + 1) / 60.0
    after = c.data[:, i + 1 :].copy()
    after[0] += n / 60.0
    stopped = Columns(np.concatenate([c.data[:, : i + 1], still, after], axis=1))
    stopped["speed_mps"][i + 1 : i + n] = 0.0
    assert "stopped" in refused(stopped)[2]

    slow = Columns(d.columns.data.copy())
    t = slow["t_s"]
    inside = np.clip(t - d.passages[2], 0, d.passages[3] - d.passages[2])
    slow["speed_mps"][(t > d.passages[2]) & (t < d.passages[3])] /= 1.3
    t += 0.3 * inside
    assert "too slow" in refused(slow)[3]


def test_a_lap_off_the_others_road() -> None:
    """Without a wheels-off channel a lap far beside the others is still found out."""
    d = drive(TRACK, laps=5, rate=60.0, lateral=2.0)
    c, i = invalid_reason(d, 3)
    bump = 30.0 * np.sin(np.linspace(0, np.pi, 200)) ** 2
    c["x_m"][i : i + 200] += bump * 0.7
    c["y_m"][i : i + 200] += bump * 0.7
    assert "off the road" in refused(c)[3]


def test_no_valid_lap_says_why() -> None:
    """With every lap refused the error names each lap and its reason, on one line."""
    d = drive(TRACK, laps=2, rate=60.0)
    d.columns["wheels_off"][:] = 4.0
    with pytest.raises(NoValidLap, match=r"lap 1: cut.*lap 2: cut") as caught:
        survey(d.columns)
    assert "\n" not in str(caught.value)
    with pytest.raises(NoValidLap, match="lap 9 is not in the recording; valid laps: 1, 2"):
        survey(drive(TRACK, laps=2).columns, reference_lap=9)


@pytest.mark.parametrize("n", [0, 1, 40])
def test_too_little_is_a_clear_error(n: int) -> None:
    """Next to nothing recorded: an error that says what is needed, never a crash."""
    with pytest.raises(SurveyError, match="needs"):
        survey(drive(TRACK, laps=1).columns.part(0, n))


def test_a_course_from_one_place_to_another() -> None:
    """A hill climb: no place is passed twice, each run is a lap, the course is open."""
    d = drive(TRACK, laps=1, rate=60.0, start_m=100.0, after_m=-400.0)
    c = without(d.columns, "lap", "lap_distance_m")
    again = c.data.copy()
    again[0] += c["t_s"][-1] + 300.0
    s = survey(Columns(np.concatenate([c.data, again], axis=1)))
    assert not s.reference.closed
    assert [True, True] == [lap.valid for lap in s.laps]
    assert abs((len(s.reference) - 1) * s.reference.step_m - s.reference.length_m) < 1e-6
    assert abs(s.reference.length_m - (TRACK.length - 500.0)) < 15.0
    assert len(TRACK.apexes) - 1 <= len(s.corners) <= len(TRACK.apexes)


def test_faults_of_a_link_do_not_move_the_lap() -> None:
    """Lost, doubled and late frames, NaN and a lower rate of the positions leave lap times and corners as they were."""
    d = drive(TRACK, laps=3, rate=60.0)
    rng = np.random.default_rng(5)
    order = np.argsort(np.arange(len(d.columns)) + rng.uniform(0, 2.5, len(d.columns)), kind="stable")
    order = order[rng.random(len(order)) > 0.05]
    order = np.repeat(order, 1 + (rng.random(len(order)) < 0.05))
    c = Columns(d.columns.data[:, order].copy())
    c["x_m"][rng.random(len(c)) < 0.01] = np.nan
    c["t_s"][::500] = np.nan
    assert max(errors_s(d, c)) < 0.002
    assert len(TRACK.apexes) == len(survey(c).corners)

    held = Columns(d.columns.data.copy())
    for name in ("x_m", "y_m"):
        held[name][:] = held[name][(np.arange(len(held)) // 3) * 3]
    assert max(errors_s(d, held)) < 0.002
    assert len(TRACK.apexes) == len(survey(held).corners)


@pytest.mark.parametrize("missing_m", [5.0, 20.0, 45.0])
@pytest.mark.parametrize("names", [(), ("x_m", "y_m", "lap")])
def test_the_last_lap_is_not_lost_for_the_last_metres(missing_m: float, names: tuple[str, ...]) -> None:
    """A record that ends before the line counts up to it: the time to within 2 ms, said, and no reference for it."""
    d = drive(TRACK, laps=3, rate=60.0, after_m=-missing_m)
    s = survey(without(d.columns, *names))
    laps = [lap for lap in s.laps if lap.valid]
    assert len(laps) == 3
    assert laps[-1].time_s == pytest.approx(d.passages[3] - d.passages[2], abs=0.002)
    assert laps[-1].short_m == pytest.approx(missing_m, abs=1.5)
    assert any(f"ends {laps[-1].short_m:.0f} m before the line" in note for note in s.notes)
    assert s.reference_lap != laps[-1].number


def test_one_lap_that_ends_before_the_line_is_a_lap() -> None:
    """A file of one lap that stops 30 m early: one closed lap, its corners, its time within 2 ms."""
    d = drive(TRACK, laps=1, rate=60.0, start_m=0.0, after_m=-30.0)
    s = survey(without(d.columns, "lap", "lap_distance_m"))
    assert s.reference.closed
    assert [way for _, way in TRACK.apexes] == [c.direction for c in s.corners]
    assert s.reference.lap_time_s == pytest.approx(d.passages[1] - d.passages[0], abs=0.002)
    assert s.reference.length_m == pytest.approx(TRACK.length, abs=0.5)
    far = survey(without(drive(TRACK, laps=2, after_m=-60.0).columns))
    assert "incomplete" in far.laps[-1].reason


def test_a_braking_car_is_not_extrapolated_over_the_line() -> None:
    """A record that ends 40 m before the line with the car braking to a stop does not count."""
    d = drive(TRACK, laps=2, rate=60.0, after_m=-40.0)
    c = Columns(d.columns.data.copy())
    last = c["t_s"] > c["t_s"][-1] - 1.0
    c["speed_mps"][last] = np.linspace(c["speed_mps"][last][0], 12.0, int(last.sum()))
    assert sum(lap.valid for lap in survey(c).laps) == 1
