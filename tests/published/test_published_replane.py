"""Carrying positions from one plane to another, against PROJ."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest

from coach.app.rerun.rerun import on_plane_of
from coach.core.columns import Columns
from coach.core.track.reference import Reference
from coach.session.header import Header


def _plane(lat: float, lon: float) -> pyproj.Transformer:
    """PROJ's topocentric plane around a place at height 0."""
    return pyproj.Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=WGS84 "
        f"+step +proj=topocentric +ellps=WGS84 +lat_0={lat} +lon_0={lon} +h_0=0"
    )


@pytest.mark.parametrize(("lat", "lon", "north", "east"), [(50.0, 8.0, 0.01, -0.02), (-33.0, 151.0, -0.02, 0.03)])
def test_two_planes_agree_with_proj(lat: float, lon: float, north: float, east: float) -> None:
    """Points put on the plane of a session and carried over lie where PROJ puts them on the reference's plane."""
    rng = np.random.default_rng(4)
    lats, lons = lat + rng.uniform(-0.01, 0.01, 50), lon + rng.uniform(-0.01, 0.01, 50)
    there = _plane(lat + north, lon + east).transform(lons, lats, np.zeros(50))
    here = _plane(lat, lon).transform(lons, lats, np.zeros(50))
    chunk = Columns.empty(50)
    chunk["x_m"][:], chunk["y_m"][:] = here[0], here[1]
    z = np.zeros(2)
    reference = Reference("c", True, 1.0, 2.0, 1.0, z, z, z, z, z, z, z, z, z, z, z, z, lat + north, lon + east)
    header = Header(session="s", started_at="", feed="import", origin_lat_deg=lat, origin_lon_deg=lon)
    (moved,) = on_plane_of(reference, header, [chunk])
    assert there[0] == pytest.approx(moved["x_m"], abs=0.05)
    assert there[1] == pytest.approx(moved["y_m"], abs=0.05)
