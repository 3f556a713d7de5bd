"""The car's place: found, followed, lost; never on a piece of track it did not drive to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from core_setup import plan, ring, session

from coach.core.columns import Columns
from coach.core.locate.locator import Locator
from coach.core.track.reference import Reference


def locate(locator: Locator, columns: Columns, size: int = 500) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[str]]:
    """Times, places [m driven], offsets of all fixes, and what happened to tracking."""
    t, u, d, how = [], [], [], []
    for start in range(0, len(columns), size):
        for fixes, what in locator.locate(columns.part(start, min(start + size, len(columns)))):
            t.append(fixes.t_s)
            u.append(fixes.u_m)
            d.append(fixes.offset_m)
            how += [what] if what else []
    return np.concatenate(t), np.concatenate(u), np.concatenate(d), how


def along(
    reference: Reference, places: np.ndarray, offsets: np.ndarray, speed_mps: float, rate_hz: float = 20.0
) -> Columns:
    """A car at ``offsets`` [m, left +] beside ``places``, one frame each."""
    chunk = Columns.empty(len(places))
    heading = reference.at("heading_rad", places)
    chunk["t_s"][:] = 10.0 + np.arange(len(places)) / rate_hz
    chunk["x_m"][:] = reference.at("x_m", places) - offsets * np.sin(heading)
    chunk["y_m"][:] = reference.at("y_m", places) + offsets * np.cos(heading)
    chunk["speed_mps"][:] = speed_mps
    return chunk


def path(points: list[tuple[float, float]], speed_mps: float, rate_hz: float = 20.0) -> Columns:
    """A car along straight lines between ``points``."""
    p = np.array(points)
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))])
    at = np.arange(0.0, s[-1], speed_mps / rate_hz)
    chunk = Columns.empty(len(at))
    chunk["t_s"][:] = np.arange(len(at)) / rate_hz
    chunk["x_m"][:], chunk["y_m"][:] = np.interp(at, s, p[:, 0]), np.interp(at, s, p[:, 1])
    chunk["speed_mps"][:] = speed_mps
    return chunk


def twin(gap_m: float, opposite: bool) -> Reference:
    """A course that comes back beside itself ``gap_m`` away, 400 m each way, with or against its first direction."""
    if opposite:
        points = [(0.0, 0.0), (400.0, 0.0), (400.0 + gap_m, gap_m / 2), (400.0, gap_m), (0.0, gap_m)]
    else:
        points = [
            (0.0, 0.0),
            (400.0, 0.0),
            (500.0, 150.0),
            (200.0, 300.0),
            (-100.0, 150.0),
            (0.0, gap_m),
            (400.0, gap_m),
        ]
    p = np.array(points)
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))])
    n = int(s[-1])
    at = np.arange(n + 1, dtype=np.float64)
    x, y = np.interp(at, s, p[:, 0]), np.interp(at, s, p[:, 1])
    width = 31
    smooth = np.ones(width) / width
    x, y = (np.convolve(np.pad(c, width // 2, mode="edge"), smooth, mode="valid") for c in (x, y))
    step = np.hypot(np.gradient(x), np.gradient(y))
    heading = np.unwrap(np.arctan2(np.gradient(y), np.gradient(x)))
    nan = np.full(n + 1, np.nan)
    return Reference(
        "twin", False, 1.0, float(n), n / 30.0, at / 30.0, x, y, nan, heading, np.gradient(heading) / step,
        np.full(n + 1, 30.0), nan, nan, nan, nan, nan,
    )  # fmt: skip


def test_places_are_where_the_car_is() -> None:
    """Over two laps each place is that of the nearest node of the reference within 60 m, to 1.2 m; the order is never
    wrong, and nothing is lost once found."""
    reference, _ = plan()
    columns = session(2, 20.0)
    t, u, _, how = locate(Locator(reference), columns)
    assert ["found"] == how
    assert np.all(np.diff(u) > 0.0)
    rows = np.searchsorted(columns["t_s"], t)
    for row, place in zip(rows[::7], u[::7], strict=True):
        near = np.arange(int(place) - 60, int(place) + 60)
        node = np.mod(near, len(reference))
        gap = np.hypot(reference.x_m[node] - columns["x_m"][row], reference.y_m[node] - columns["y_m"][row])
        assert place == pytest.approx(near[int(np.argmin(gap))] * reference.step_m, abs=1.2)


def test_a_constant_offset_is_found_left_positive() -> None:
    """A car 4 m left of the line is at +4 m, one 5 m right at -5 m, on a circle and over the seam."""
    reference = ring(1000)
    places = np.arange(700.0, 2300.0, 1.5)
    for offset in (4.0, -5.0):
        _, u, d, how = locate(Locator(reference), along(reference, places, np.full(len(places), offset), 30.0))
        assert ["found"] == how
        assert np.abs(d - offset).max() < 0.02
        np.testing.assert_allclose(np.diff(u), 1.5, atol=0.02)


@pytest.mark.parametrize("opposite", [True, False])
@pytest.mark.parametrize("gap_m", [22.0, 26.0, 30.0])
@pytest.mark.parametrize("speed_mps", [4.0, 12.0])
def test_a_car_that_drives_off_toward_the_neighbour(gap_m: float, opposite: bool, speed_mps: float) -> None:
    """It leaves the first piece slowly and drives on along the other, 22-30 m away: its place never leaps there;
    tracking is lost first, and found again on the piece it really is on."""
    reference = twin(gap_m, opposite)
    back = (60.0, gap_m) if opposite else (390.0, gap_m)
    columns = path([(20.0, 0.0), (200.0, 0.0), (230.0, gap_m), back], speed_mps)
    t, u, _, how = locate(Locator(reference), columns)
    lost_at = [i for i in range(1, len(u)) if abs(u[i] - u[i - 1]) > 50.0]
    assert len(lost_at) <= 1
    if lost_at:
        assert ["found", "lost", "found"] == how
        assert t[lost_at[0]] - t[lost_at[0] - 1] >= 0.4
    else:
        assert ["found", "lost"] == how[:2]
    final = np.searchsorted(columns["t_s"], t[-1])
    x, y = float(reference.at("x_m", u[-1])), float(reference.at("y_m", u[-1]))
    assert np.hypot(columns["x_m"][final] - x, columns["y_m"][final] - y) < 8.0


def test_the_usual_line_beside_the_neighbour_is_never_lost() -> None:
    """A car that swerves 8 m toward a neighbour 22 m away and comes back stays on its own piece."""
    reference = twin(22.0, True)
    places = np.arange(10.0, 380.0, 1.0)
    offsets = 8.0 * np.exp(-(((places - 200.0) / 40.0) ** 2))
    _, u, _, how = locate(Locator(reference), along(reference, places, offsets, 20.0))
    assert ["found"] == how
    assert np.abs(u - places[len(places) - len(u) :]).max() < 1.0


def test_a_crossing_is_driven_straight_over() -> None:
    """On a figure of eight the car stays on the piece it came on."""
    phi = np.linspace(0.0, 2 * np.pi, 4000, endpoint=False)
    x, y = 300.0 * np.sin(phi), 150.0 * np.sin(2 * phi)
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.c_[x, y], axis=0, append=[[x[0], y[0]]]).T))])
    n = int(s[-1])
    at = np.arange(n) * (s[-1] / n)
    xs, ys = np.interp(at, s, np.append(x, x[0])), np.interp(at, s, np.append(y, y[0]))
    heading = np.unwrap(np.arctan2(np.roll(ys, -1) - np.roll(ys, 1), np.roll(xs, -1) - np.roll(xs, 1)))
    nan = np.full(n, np.nan)
    eight = Reference(
        "eight", True, s[-1] / n, s[-1], 60.0, at / s[-1] * 60.0, xs, ys, nan, heading, np.gradient(heading),
        np.full(n, s[-1] / 60.0), nan, nan, nan, nan, nan,
    )  # fmt: skip
    places = np.arange(100.0, 100.0 + 2 * eight.length_m, 1.5)
    _, u, _, how = locate(Locator(eight), along(eight, places, np.zeros(len(places)), 30.0))
    assert ["found"] == how
    np.testing.assert_allclose(np.diff(u), 1.5, atol=0.1)


def test_lost_by_a_teleport_and_found_again() -> None:
    """A leap to the far side: half a second later it is lost, and found there once the direction is known."""
    reference = ring(3000)
    first = along(reference, np.arange(100.0, 400.0, 1.5), np.zeros(200), 30.0)
    after = along(reference, np.arange(2000.0, 2300.0, 1.5), np.zeros(200), 30.0)
    after["t_s"][:] += 10.0
    t, u, _, how = locate(Locator(reference), Columns.join([first, after]))
    assert ["found", "lost", "found"] == how
    assert not np.any((t > 20.0) & (u < 1900.0))
    assert u[-1] == pytest.approx(2298.5, abs=0.5)


def test_gaps_are_bridged_by_speed() -> None:
    """0.4 s without positions: tracking goes on, no fix is made up; 2 s without: lost."""
    reference = ring(3000)
    for missing, expected in ((8, ["found"]), (40, ["found", "lost", "found"])):
        columns = along(reference, np.arange(100.0, 400.0, 1.5), np.zeros(200), 30.0)
        columns["x_m"][100 : 100 + missing] = np.nan
        t, _, _, how = locate(Locator(reference), columns)
        assert expected == how
        assert not np.any((t >= columns["t_s"][100]) & (t < columns["t_s"][100 + missing]))


def test_a_lap_distance_alone_is_enough() -> None:
    """Without positions the feed's own lap distance is followed, over the seam; offsets are then unknown."""
    reference = ring(1000)
    for channel, scale in (("lap_distance_m", 1.0), ("lap_fraction", 1000.0)):
        places = np.arange(600.0, 2600.0, 1.5)
        columns = along(reference, places, np.zeros(len(places)), 30.0)
        columns["x_m"][:] = columns["y_m"][:] = np.nan
        columns[channel][:] = np.mod(places, 1000.0) / scale
        nowhere = np.full(1000, np.nan)
        flat = replace(reference, x_m=nowhere, y_m=nowhere)
        _, u, d, how = locate(Locator(flat), columns)
        assert ["found"] == how
        np.testing.assert_allclose(np.diff(u), 1.5, atol=1e-6)
        assert np.isnan(d).all()


@pytest.mark.parametrize("channels", [("x_m", "y_m"), ("lap_distance_m",), ("lap_fraction",)], ids=str)
def test_frames_one_by_one_are_where_a_batch_puts_them(channels: tuple[str, ...]) -> None:
    """``follow`` takes what fits and gives the places of ``locate`` to the last bit; what does not fit it leaves alone:
    noise, jumps, gaps, a wide line in hairpins (30 m radius, where a place may not be the only one near)."""
    reference, rng = ring(200), np.random.default_rng(5)
    places = np.arange(20.0, 1500.0, 0.7)
    columns = along(reference, places, 14.0 * np.sin(places / 90.0), 14.0)
    columns["lap_distance_m"][:] = np.mod(places, 200.0)
    columns["lap_fraction"][:] = np.mod(places, 200.0) / 200.0
    columns["x_m"][:] += rng.normal(0.0, 0.5, len(places))
    columns["speed_mps"][300:310] = np.nan
    for name in channels:
        columns[name][700:703] = np.nan
        columns[name][900] += 60.0
    for name in {"x_m", "y_m", "lap_distance_m", "lap_fraction"} - set(channels):
        columns[name][:] = np.nan
    if "x_m" not in channels:
        nowhere = np.full(200, np.nan)
        reference = replace(reference, x_m=nowhere, y_m=nowhere)
    t, u, d, how = locate(Locator(reference), columns)
    single, rows, followed = Locator(reference), [], 0
    for i, row in enumerate(columns.data.T.tolist()):
        fix = single.follow(row)
        followed += fix is not None
        fixes = [fix.fixes()] if fix is not None else [f for f, _ in single.locate(columns.part(i, i + 1))]
        rows += [(f.t_s[0], f.u_m[0], f.offset_m[0]) for f in fixes if len(f.row)]
    assert ["found"] == how
    assert followed > 0.95 * len(places)
    np.testing.assert_array_equal(np.stack((t, u, d)), np.array(rows).T)


def test_standing_and_rolling_back_do_not_lose_the_car() -> None:
    """A stop on the grid, and a few metres backward out of a gravel bed, are followed."""
    reference = ring(3000)
    places = np.concatenate([np.arange(100.0, 200.0, 1.0), np.full(100, 200.0), np.linspace(200.0, 192.0, 160),
                             np.arange(192.0, 300.0, 1.0)])  # fmt: skip
    columns = along(reference, places, np.zeros(len(places)), 20.0)
    columns["speed_mps"][100:200] = 0.0
    columns["speed_mps"][200:360] = 1.0
    _, u, _, how = locate(Locator(reference), columns)
    assert ["found"] == how
    assert np.abs(u - places[len(places) - len(u) :]).max() < 1.0


def test_a_car_against_the_direction_is_not_found() -> None:
    """Driving the wrong way round nothing is claimed."""
    reference = ring(3000)
    columns = along(reference, np.arange(400.0, 100.0, -1.5), np.zeros(200), 30.0)
    locator = Locator(reference)
    assert [] == locator.locate(columns)
    assert locator.lost
