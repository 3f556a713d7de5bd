"""Latitude and longitude to a local plane: east and north of an origin, on the WGS84 ellipsoid.

The plane touches the ellipsoid at the origin. Each point at height 0 is converted to the earth-centred frame and
rotated into east and north of the origin (the topocentric conversion of IOGP guidance note 373-7-2, 4.1.2), which
shortens 5 km by half a millimetre; the flat formula with the radii of curvature alone is off by 2.6 m there.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from feeds.errors import FeedOpenError

SEMI_MAJOR_M: Final = 6_378_137.0
FLATTENING: Final = 1 / 298.257223563
_E2: Final = FLATTENING * (2 - FLATTENING)


class Plane:
    """East and north [m] of the origin ``lat_deg``, ``lon_deg`` [degrees]; raises ValueError if out of range or not
    finite.
    """

    def __init__(self, lat_deg: float, lon_deg: float) -> None:
        if not (-90.0 <= lat_deg <= 90.0 and -180.0 <= lon_deg <= 180.0):
            raise ValueError(f"origin {lat_deg}, {lon_deg} is not a latitude of ±90 and a longitude of ±180 degrees")
        self.lat_deg = lat_deg
        self.lon_deg = lon_deg
        lat = math.radians(lat_deg)
        self._sin, self._cos = math.sin(lat), math.cos(lat)
        # radius of curvature in the prime vertical at the origin
        self._n = SEMI_MAJOR_M / math.sqrt(1 - _E2 * self._sin**2)

    def to_xy(self, lat_deg: float, lon_deg: float) -> tuple[float, float]:
        """Return one point [degrees] as (x_m east, y_m north)."""
        lat = math.radians(lat_deg)
        # the shorter way round, also across the date line
        dlon = math.radians((lon_deg - self.lon_deg + 180.0) % 360.0 - 180.0)
        sin, cos = math.sin(lat), math.cos(lat)
        n = SEMI_MAJOR_M / math.sqrt(1 - _E2 * sin * sin)
        along = n * cos * math.cos(dlon)
        x = n * cos * math.sin(dlon)
        y = -self._sin * (along - self._n * self._cos) + self._cos * (1 - _E2) * (n * sin - self._n * self._sin)
        return x, y

    def to_xy_arrays(
        self, lat_deg: NDArray[np.float64], lon_deg: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the points of shape (n,) [degrees] as (x_m, y_m), each of shape (n,); NaN stays NaN."""
        lat = np.radians(lat_deg)
        dlon = np.radians((lon_deg - self.lon_deg + 180.0) % 360.0 - 180.0)
        sin, cos = np.sin(lat), np.cos(lat)
        n = SEMI_MAJOR_M / np.sqrt(1 - _E2 * sin * sin)
        along = n * cos * np.cos(dlon)
        x = n * cos * np.sin(dlon)
        y = -self._sin * (along - self._n * self._cos) + self._cos * (1 - _E2) * (n * sin - self._n * self._sin)
        return x, y


def plane_of(origin: tuple[float, float] | None) -> Plane | None:
    """Return the plane around a user's ``origin`` (degrees); raise FeedOpenError if it is not on earth."""
    if origin is None:
        return None
    try:
        return Plane(*origin)
    except ValueError as error:
        raise FeedOpenError(str(error)) from error
