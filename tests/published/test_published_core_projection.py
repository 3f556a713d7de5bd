"""Projection against shapely's LineString.project, an independent package, on lines of our own."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import LineString, Point

from coach.core.track.projection import ReferenceLine
from coach.core.track.reference import Reference


def course(curvature: np.ndarray, closed: bool) -> Reference:
    """A line of 1 m steps with this curvature (1/m at each node)."""
    n = len(curvature)
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (curvature[1:] + curvature[:-1]))])
    middle = heading + 0.5 * curvature
    x = np.concatenate([[0.0], np.cumsum(np.cos(middle))])[:n]
    y = np.concatenate([[0.0], np.cumsum(np.sin(middle))])[:n]
    nan = np.full(n, np.nan)
    length = float(n if closed else n - 1)
    return Reference(
        "line", closed, 1.0, length, length / 30, np.arange(n) / 30.0, x, y, nan, heading, curvature, np.full(n, 30.0),
        nan, nan, nan, nan, nan,
    )  # fmt: skip


FINE = 50


def hairpin() -> tuple[Reference, LineString]:
    """100 m straight, a 180 degree left of 15 m radius with soft ends, 100 m straight; open. And the same as a line of
    2 cm pieces: beside a polyline of 1 m pieces the nearest point sticks to the corners between them."""
    ramp = np.linspace(0.0, 1.0 / 15.0, 10)
    held = np.full(round(15.0 * (np.pi - 2 * 0.5 * 10 / 15.0)), 1.0 / 15.0)
    k = np.concatenate([np.zeros(100), ramp, held, ramp[::-1], np.zeros(100)])
    at = np.arange(0.0, len(k) - 1 + 1e-9, 1.0 / FINE)
    fine = np.interp(at, np.arange(len(k)), k)
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (fine[1:] + fine[:-1])) / FINE])
    middle = 0.5 * (heading[1:] + heading[:-1])
    x, y = (np.concatenate([[0.0], np.cumsum(f(middle)) / FINE]) for f in (np.cos, np.sin))
    nan = np.full(len(k), np.nan)
    length = float(len(k) - 1)
    reference = Reference(
        "hairpin", False, 1.0, length, length / 30, np.arange(len(k)) / 30.0, x[::FINE], y[::FINE], nan,
        heading[::FINE], k, np.full(len(k), 30.0), nan, nan, nan, nan, nan,
    )  # fmt: skip
    return reference, LineString(np.column_stack([x, y]))


CASES = [(s, d) for s in np.arange(5.3, 240.0, 3.7) for d in (-10.0, -6.0, -2.0, 0.0, 2.0, 6.0, 9.0)]


def test_against_shapely_near_a_hairpin_inside_and_outside() -> None:
    """Places agree within 0.1 m and offsets within 2 cm (a 1 m chord at R 15 m lies 0.8 cm inside its arc), up to
    10 m outside and 9 m inside of a 15 m hairpin."""
    reference, line = hairpin()
    node = np.arange(len(reference))
    s, d = np.array(CASES).T
    heading = np.interp(s, node, reference.heading_rad)
    x = np.interp(s, node, reference.x_m) - d * np.sin(heading)
    y = np.interp(s, node, reference.y_m) + d * np.cos(heading)
    place, offset, found = ReferenceLine(reference).project(x, y, s + 8.0 * np.sin(s))
    assert found.all()
    points = [Point(a, b) for a, b in zip(x, y, strict=True)]
    assert np.abs(place - [line.project(p) for p in points]).max() < 0.1
    assert np.abs(np.abs(offset) - [line.distance(p) for p in points]).max() < 0.02
    clear = np.abs(d) > 0.1
    assert np.array_equal(np.sign(offset[clear]), np.sign(d[clear]))


@pytest.mark.parametrize("offset_m", [-8.0, 0.0, 8.0])
def test_over_the_seam_of_a_circle(offset_m: float) -> None:
    """Places run on over the seam, and on a circle they are the angle (closed form)."""
    n = 1000
    circle = course(np.full(n, 2 * np.pi / n), closed=True)
    radius = n / (2 * np.pi)
    s = np.arange(950.0, 1100.0, 0.37)
    phi = s / radius
    x, y = (radius - offset_m) * np.sin(phi), radius - (radius - offset_m) * np.cos(phi)
    place, offset, found = ReferenceLine(circle).project(x, y, s + 5.0)
    assert found.all()
    assert np.abs(place - s).max() < 0.01
    assert np.abs(offset - offset_m).max() < 0.01


def test_the_guess_does_not_change_the_result_nor_does_one_by_one() -> None:
    """From guesses up to 20 m off, in one call or each alone without arrays, the numbers are the same to the bit."""
    reference, _ = hairpin()
    line = ReferenceLine(reference)
    rng = np.random.default_rng(3)
    i = rng.integers(3, 230, 500)
    x = reference.x_m[i] + rng.normal(0.0, 2.0, 500)
    y = reference.y_m[i] + rng.normal(0.0, 2.0, 500)
    first = line.project(x, y, i.astype(float))
    for _ in range(3):
        guess = i + rng.uniform(-12.0, 12.0, 500)
        again = line.project(x, y, guess)
        assert np.array_equal(first[0], again[0], equal_nan=True)
        assert np.array_equal(first[1], again[1], equal_nan=True)
        singles = [line.project_one(float(a), float(b), float(g)) for a, b, g in zip(x, y, guess, strict=True)]
        assert np.array_equal(again[0], [p for p, _, _ in singles], equal_nan=True)
        assert np.array_equal(again[1], [d for _, d, _ in singles], equal_nan=True)
        assert again[2].tolist() == [f for _, _, f in singles]


def test_before_the_start_and_after_the_end_of_an_open_course() -> None:
    """There the line goes straight on: the place is negative, or beyond the length."""
    reference, _ = hairpin()
    line = ReferenceLine(reference)
    place, offset, found = line.project(np.array([-4.0]), np.array([1.5]), np.array([0.0]))
    assert found[0]
    assert (place[0], offset[0]) == pytest.approx((-4.0, 1.5))
    heading = reference.heading_rad[-1]
    x, y = reference.x_m[-1] + 3.0 * np.cos(heading), reference.y_m[-1] + 3.0 * np.sin(heading)
    place, _, found = line.project(np.array([x]), np.array([y]), np.array([reference.length_m]))
    assert found[0]
    assert place[0] == pytest.approx(reference.length_m + 3.0, abs=0.01)
