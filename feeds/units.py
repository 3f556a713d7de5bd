"""The units allowed for each frame field, and their factors to SI."""

from __future__ import annotations

import math
from typing import Final

_LENGTH: Final = {"m": 1.0, "km": 1000.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254, "mi": 1609.344}
_SPEED: Final = {
    "m/s": 1.0,
    "km/h": 1 / 3.6,
    "mph": 0.44704,
    "kn": 1852 / 3600,
    "ft/s": 0.3048,
    "cm/s": 0.01,
    "mm/s": 0.001,
}
_TIME: Final = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0}
_SHARE: Final = {"share": 1.0, "percent": 0.01, "byte": 1 / 255, "word": 1 / 65535}
_ANGLE: Final = {"rad": 1.0, "deg": math.pi / 180}
_EARTH: Final = {"deg": 1.0, "rad": 180 / math.pi, "1e-7 deg": 1e-7}
_COUNT: Final = {"count": 1.0}

UNITS: Final[dict[str, dict[str, float]]] = {
    "t_s": _TIME,
    "x_m": _LENGTH,
    "y_m": _LENGTH,
    "z_m": _LENGTH,
    "lat_deg": _EARTH,
    "lon_deg": _EARTH,
    "lap_distance_m": _LENGTH,
    "lap_fraction": _SHARE,
    "lap": _COUNT,
    "speed_mps": _SPEED,
    "throttle": _SHARE,
    "brake": _SHARE,
    "steer": {**_SHARE, **_ANGLE},
    "gear": _COUNT,
    "wheels_off": _COUNT,
    "in_pit": _COUNT,
    "traction_control": _COUNT,
    "anti_lock": _COUNT,
    "seq": _COUNT,
}
"""Field -> unit -> factor (feet, inches, miles and knots are exact by definition, NIST SP 811)."""

_SAME: Final = {
    "": "",
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "msec": "ms",
    "milliseconds": "ms",
    "µs": "us",
    "microseconds": "us",
    "minutes": "min",
    "hours": "h",
    "metre": "m",
    "metres": "m",
    "meter": "m",
    "meters": "m",
    "kilometers": "km",
    "kilometres": "km",
    "feet": "ft",
    "foot": "ft",
    "inch": "in",
    "miles": "mi",
    "mile": "mi",
    "kph": "km/h",
    "kmh": "km/h",
    "kmph": "km/h",
    "km/hr": "km/h",
    "mps": "m/s",
    "ms-1": "m/s",
    "m/sec": "m/s",
    "mi/h": "mph",
    "miles/h": "mph",
    "knots": "kn",
    "knot": "kn",
    "kts": "kn",
    "kt": "kn",
    "%": "percent",
    "pct": "percent",
    "percentage": "percent",
    "ratio": "share",
    "fraction": "share",
    "0-1": "share",
    "0..1": "share",
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "dd": "deg",
    "radian": "rad",
    "radians": "rad",
    "#": "count",
    "no": "count",
    "-": "",
}


def known_unit(text: str) -> str:
    """Return the unit in this table's spelling; "" if unknown."""
    flat = text.strip().lower().replace(" ", "").replace("·", "")
    flat = _SAME.get(flat, flat)
    return flat if any(flat in units for units in UNITS.values()) else ""


def plain_unit(text: str) -> str:
    """Return ``text`` in this table's spelling (% is percent, kph km/h), or unchanged if unknown."""
    return known_unit(text) or text
