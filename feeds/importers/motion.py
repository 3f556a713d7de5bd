"""Infers missing units from the car's motion: position, lap distance and speed must agree."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from feeds.frame import Floats
from feeds.importers.table import Table
from feeds.plane import Plane
from feeds.units import UNITS

_AGREES: Final = 0.04
CHORD_S: Final = 0.5
"""Long beside 0.3 m of noise at any speed worth a lap, short beside a bend (a hairpin's chord is 1 % shorter)."""
_FEWEST: Final = 50
"""Least number of usable steps."""
_TOGETHER: Final = (
    ("m", "m/s"), ("m", "km/h"), ("m", "mph"), ("ft", "mph"), ("km", "km/h"), ("mi", "mph"), ("m", "kn"),
)  # fmt: skip
"""Units of distance and speed found together in logs; where two pairs share a ratio the first applies."""


def step_s(table: Table, column: str, unit: str) -> Floats:
    """Return the seconds from each row to the next, shape (n - 1,)."""
    return np.diff(table.numbers(column)) * UNITS["t_s"].get(unit, 1.0)


def step_in_plane(table: Table, columns: dict[str, tuple[str, str]], dt: Floats) -> Floats | None:
    """Return the metres from each row to the next by the position, shape (n - 1,); None without one.

    ``columns`` field -> (column, unit), ``dt`` seconds from each row to the next. The result is the row's share of the
    chord over about CHORD_S around it: position noise lengthens single steps, not the chord.
    """
    if {"x_m", "y_m"} <= columns.keys():
        x, y = (_values(table, n, *columns[n]) for n in ("x_m", "y_m"))
    elif {"lat_deg", "lon_deg"} <= columns.keys():
        lat, lon = (_values(table, n, *columns[n]) for n in ("lat_deg", "lon_deg"))
        first = np.flatnonzero(np.isfinite(lat) & np.isfinite(lon) & (np.abs(lat) <= 90) & (np.abs(lon) <= 180))
        if not len(first):
            return None
        x, y = Plane(float(lat[first[0]]), float(lon[first[0]])).to_xy_arrays(lat, lon)
    else:
        return None
    told = dt[(dt > 0) & np.isfinite(dt)]
    rows = max(round(CHORD_S / float(np.median(told))), 1) if len(told) else 1
    here = np.arange(len(dt))
    low = np.clip(here - (rows - 1) // 2, 0, max(len(x) - 1 - rows, 0))
    high = np.minimum(low + rows, len(x) - 1)
    t = np.concatenate([[0.0], np.cumsum(dt)])
    spent = t[high] - t[low]
    share = np.divide(dt, spent, out=np.full(len(dt), np.nan), where=spent > 0)
    return np.asarray(np.hypot(x[high] - x[low], y[high] - y[low]) * share, dtype=np.float64)


def unit_by_ratio(field: str, raw: Floats, true: Floats) -> str:
    """Return the unit of ``field`` in which ``raw`` matches ``true`` [SI] row by row; "" if none does."""
    ratio = _ratio(true, raw)
    return next((u for u, size in UNITS[field].items() if abs(ratio / size - 1.0) < _AGREES), "")


def units_together(distance: Floats, speed: Floats, dt: Floats) -> tuple[str, str]:
    """Return the units of a distance's steps and of a speed, neither of them written; "" twice when no pair fits."""
    ratio = _ratio(distance, speed * dt)
    for length, pace in _TOGETHER:
        if abs(ratio * UNITS["lap_distance_m"][length] / UNITS["speed_mps"][pace] - 1.0) < _AGREES:
            return length, pace
    return "", ""


def moving(step: Floats, dt: Floats, speed: Floats | None = None) -> Floats:
    """Return ``step`` with NaN where it is useless: no time between the rows, standing, a reset at the line, a jump."""
    fair = np.isfinite(step) & (dt > 0) & (dt < 2.0) & (step > 0)
    if speed is not None:
        fair &= np.isfinite(speed) & (speed > 1.0)
    if fair.any():
        pace = np.divide(step, dt, out=np.zeros_like(step), where=fair)
        fair &= pace < 5.0 * float(np.quantile(pace[fair], 0.9))
    return np.where(fair, step, np.nan)


def _ratio(one: Floats, other: Floats) -> float:
    both = np.isfinite(one) & np.isfinite(other)
    below = float(np.sum(other[both]))
    return float(np.sum(one[both])) / below if np.count_nonzero(both) >= _FEWEST and below > 0.0 else float("nan")


def _values(table: Table, field: str, column: str, unit: str) -> Floats:
    return table.numbers(column) * UNITS[field].get(unit, 1.0)


def is_written(reasons: Iterable[str]) -> bool:
    """Return whether the file states the unit."""
    return any(r.startswith("unit ") for r in reasons)
