from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod, Transformer

from feeds.plane import Plane

GEOD = Geod(ellps="WGS84")


def topocentric(lat: float, lon: float) -> Transformer:
    return Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=WGS84 "
        f"+step +proj=topocentric +ellps=WGS84 +lon_0={lon} +lat_0={lat} +h_0=0"
    )


@given(st.floats(-85, 85), st.floats(-180, 180), st.floats(-0.05, 0.05), st.floats(-0.05, 0.05))
def test_plane_is_the_topocentric_one_of_proj(lat: float, lon: float, dlat: float, dlon: float) -> None:
    """East and north agree with PROJ's topocentric conversion (IOGP 373-7-2) to a tenth of a millimetre."""
    east, north, _ = topocentric(lat, lon).transform(lon + dlon, lat + dlat, 0.0)
    assert (east, north) == pytest.approx(Plane(lat, lon).to_xy(lat + dlat, lon + dlon), abs=1e-4)


@pytest.mark.parametrize(("distance_m", "flat_error_m"), [(500.0, 0.026), (2000.0, 0.42), (5000.0, 2.6)])
def test_better_than_the_flat_formula(distance_m: float, flat_error_m: float) -> None:
    """Against the geodesic (Karney 2013, through pyproj) at 50 N the plane stays far inside the flat plane's error."""
    plane = Plane(50.0, 8.0)
    worst = 0.0
    for azimuth in range(0, 360, 15):
        lon, lat, _ = GEOD.fwd(8.0, 50.0, azimuth, distance_m)
        x, y = plane.to_xy(lat, lon)
        true = distance_m * np.sin(np.radians(azimuth)), distance_m * np.cos(np.radians(azimuth))
        worst = max(worst, float(np.hypot(x - true[0], y - true[1])))
    assert worst < flat_error_m / 100


@pytest.mark.parametrize(
    ("lat", "dlat", "dlon", "metres", "tolerance_m"),
    [(0.0, 1.0, 0.0, 110_574.389, 6.0), (45.0, 0.0, 1.0, 78_846.335, 3.0)],
)
def test_length_of_a_degree(lat: float, dlat: float, dlon: float, metres: float, tolerance_m: float) -> None:
    """A degree of latitude at the equator and of longitude at 45 N (WGS84, arcs computed with two libraries).

    The plane is tangent, so over 110 km it must be shorter than the arc, by about d**3 / (6 R**2) = 5.6 m at most.
    """
    x, y = Plane(lat, 0.0).to_xy(lat + dlat, dlon)
    assert metres == pytest.approx(float(np.hypot(x, y)), abs=tolerance_m)
    assert np.hypot(x, y) <= metres


def test_arrays_and_the_date_line() -> None:
    """Arrays give what single points give; across the date line the way round is the short one."""
    plane = Plane(-17.0, 179.99)
    lat, lon = np.array([-17.0, -17.01, np.nan]), np.array([-179.99, 179.98, 0.0])
    x, y = plane.to_xy_arrays(lat, lon)
    assert plane.to_xy(-17.0, -179.99) == pytest.approx((x[0], y[0]), abs=1e-9)
    assert 2130 == pytest.approx(x[0], abs=5)
    assert np.isnan(x[2])


@pytest.mark.parametrize(("lat", "lon"), [(91.0, 0.0), (0.0, 181.0), (float("nan"), 0.0)])
def test_an_origin_must_be_on_earth(lat: float, lon: float) -> None:
    """An origin out of range or not a number is refused."""
    with pytest.raises(ValueError, match="origin"):
        Plane(lat, lon)
