"""Guesses which column is which field: from its name, its unit, the range of its values, and the car's motion."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import msgspec
import numpy as np

from feeds.frame import COUNTS, Floats, has_place
from feeds.importers import motion
from feeds.importers.by_value import by_value
from feeds.importers.column_map import ColumnChoice, ColumnMap
from feeds.importers.table import Table
from feeds.importers.words import VOCABULARY, likeness, unit_behind
from feeds.units import UNITS, known_unit

_ENOUGH: Final = 0.45
"""Least likelihood of a column; below it the field stays open."""
_CHECKED: Final = 20_000
"""Rows inspected: some minutes at any sample rate."""
_BY_VALUE: Final = 0.6
"""Likelihood of a field identified by its values alone."""
_PRESSURES: Final = frozenset({"bar", "psi", "kpa", "mpa", "pa", "mbar", "n", "kn force", "nm", "lbf", "kg", "v", "mv"})
_BEHIND: Final = {"brake": [p for p in _PRESSURES if len(p) > 1]}
"""Further units at the end of a name; a single letter cannot identify a pressure."""
_ACCELERATIONS: Final = frozenset(
    {"g", "m/s2", "m/s^2", "m/s²", "rad/s", "deg/s", "°/s", "°c", "c", "f", "rpm", "1/min"}
)


class Guess(msgspec.Struct, frozen=True):
    """One field, the column it was found in, how likely that is (0..1) and why."""

    field: str
    column: str
    unit: str
    likelihood: float
    reason: str
    choice: ColumnChoice


class _Candidate(msgspec.Struct):
    score: float
    field: str
    column: str
    unit: str
    why: list[str]
    of_largest: bool = False


def guess_columns(table: Table) -> list[Guess]:
    """Return one guess per field that was found, likeliest first; each column serves one field."""
    candidates = []
    for column in table.names:
        for field in VOCABULARY:
            score, phrase = likeness(table.bare_name(column), field)
            if score > 0.3:
                judged = _judge(table, _Candidate(score, field, column, "", [f"named {phrase!r}"]))
                if judged is not None:
                    candidates.append(judged)
    candidates.sort(key=lambda c: -c.score)
    taken: dict[str, _Candidate] = {}
    used: set[str] = set()
    for c in candidates:
        if c.score >= _ENOUGH and c.field not in taken and c.column not in used:
            taken[c.field] = c
            used.add(c.column)
    _pairs(taken)
    _units_by_motion(table, taken)
    for found in by_value(table, {field: (c.column, c.unit) for field, c in taken.items()}):
        taken[found.field] = _Candidate(_BY_VALUE, found.field, found.column, found.unit, [f"values: {found.why}"],
                                        found.of_largest)  # fmt: skip
    return [
        Guess(
            c.field,
            c.column,
            c.unit,
            round(min(c.score, 1.0), 2),
            ", ".join(c.why),
            ColumnChoice(column=c.column, unit=c.unit, of_largest=c.of_largest),
        )
        for c in sorted(taken.values(), key=lambda c: -c.score)
    ]


def map_of(guesses: list[Guess]) -> ColumnMap:
    """Return the guesses as a map; raise pydantic's ValidationError if time or position was not found."""
    return ColumnMap(columns=columns_of(guesses))


def columns_of(guesses: list[Guess]) -> dict[str, ColumnChoice]:
    """Return the guesses as the columns of a map, in the order of the fields."""
    order = list(UNITS)
    return {g.field: g.choice for g in sorted(guesses, key=lambda g: order.index(g.field))}


def missing(guesses: list[Guess]) -> list[str]:
    """Return the required fields that were not found, one line each."""
    has = {g.field for g in guesses}
    said = []
    if "t_s" not in has:
        said.append("no column looks like the time (t_s)")
    if not has_place(has):
        said.append("no columns look like a place (x_m and y_m, lat_deg and lon_deg, or lap_distance_m)")
    return said


def _judge(table: Table, c: _Candidate) -> _Candidate | None:
    """Weigh the unit and the values; return None if they cannot be this field."""
    values = table.numbers(c.column)[:_CHECKED]
    good = values[np.isfinite(values)]
    if len(good) < max(2, 0.02 * len(values)):
        return None
    units = UNITS[c.field]
    behind = unit_behind(c.column, [*units, *_BEHIND.get(c.field, ())]) if len(units) > 1 else ""
    written = table.unit(c.column).strip() or behind
    unit = known_unit(written)
    if unit and unit in units:
        c.unit = unit
        c.score += 0.08
        c.why.append(f"unit {written}")
    elif written.lower() in _PRESSURES and c.field == "brake":
        c.of_largest = True
        c.why.append(f"{written} as a share of the largest")
    elif written.lower() in _ACCELERATIONS or (unit and unit not in units):
        return None
    elif written and written not in ("-", "1", "#"):
        c.score -= 0.1
    if not c.unit and not c.of_largest:
        c.unit = _unit_by_values(c.field, good)
        if c.unit and len(units) > 1:
            c.why.append(f"values {good.min():.4g} to {good.max():.4g} look like {c.unit}")
    return c if _values_fit(c, good) else None


def _unit_by_values(field: str, good: Floats) -> str:
    high = float(np.quantile(np.abs(good), 0.999))
    if field in ("throttle", "brake"):
        return next(
            (u for u, most in (("share", 1.05), ("percent", 105), ("byte", 255), ("word", 65_535)) if high <= most), ""
        )
    if field == "lap_fraction":
        return "share" if high <= 1.05 else "percent"
    if field == "steer":
        return "share" if high <= 1.0 else "rad" if high <= 12.6 else "deg"
    if field in ("lat_deg", "lon_deg"):
        return "deg" if high <= 180.0 else "1e-7 deg"
    if field == "speed_mps":
        # no such car exceeds 110 m/s, and hardly any record stays below 110 km/h
        return "m/s" if high <= 110.0 else "km/h"
    if field == "t_s":
        steps = np.diff(good)
        steps = steps[steps > 0]
        step = float(np.median(steps)) if len(steps) else 0.0
        return "s" if step < 2.0 else "ms" if step < 2000.0 else "us" if step < 2e6 else "ns"
    if field == "lap_distance_m":
        return "km" if high < 50.0 and np.ptp(good) > 1.0 else "m"
    return next(iter(UNITS[field]))


def _values_fit(c: _Candidate, good: Floats) -> bool:
    """Return whether nearly all values are possible for the field."""
    if c.of_largest:
        return float(good.max()) > 0.0
    values = good * UNITS[c.field].get(c.unit, 1.0)
    low, high = _LIMITS[c.field]
    if np.mean((values < low) | (values > high)) > 0.05:
        return False
    if c.field == "t_s":
        steps = np.diff(values)
        return bool(np.mean(steps >= 0.0) > 0.9 and values.max() > values.min())
    if c.field in ("lat_deg", "lon_deg"):
        # a constant 0, 0 means no fix
        return bool(np.mean(np.abs(values) > 1e-9) > 0.2)
    whole = c.field in COUNTS
    return not (whole and np.mean(np.abs(values - np.round(values)) > 1e-6) > 0.05)


_LIMITS: Final[Mapping[str, tuple[float, float]]] = {
    "t_s": (-1e10, 1e10),
    "x_m": (-1e6, 1e6),
    "y_m": (-1e6, 1e6),
    "z_m": (-500.0, 9000.0),
    "lat_deg": (-90.0, 90.0),
    "lon_deg": (-180.0, 180.0),
    "lap_distance_m": (-200.0, 1e7),
    "lap_fraction": (-0.02, 1.02),
    "lap": (-1.0, 10_000.0),
    "speed_mps": (-1.0, 150.0),
    "throttle": (-0.05, 1.1),
    "brake": (-0.05, 1.1),
    "steer": (-20.0, 20.0),
    "gear": (-1.0, 12.0),
    "wheels_off": (0.0, 8.0),
    "in_pit": (0.0, 10.0),
    "traction_control": (0.0, 1.0),
    "anti_lock": (0.0, 1.0),
    "seq": (0.0, 1e18),
}


def _pairs(taken: dict[str, _Candidate]) -> None:
    """Half a place is none; with x and z but no y, the second axis pointed up and z goes along the ground."""
    if "x_m" in taken and "y_m" not in taken and "z_m" in taken and "z" in taken["z_m"].column.lower():
        across = taken.pop("z_m")
        across.field = "y_m"
        across.why.append("the second axis of the ground, as there is no y")
        taken["y_m"] = across
    for one, other in (("x_m", "y_m"), ("lat_deg", "lon_deg")):
        if (one in taken) != (other in taken):
            taken.pop(one, None)
            taken.pop(other, None)


def _units_by_motion(table: Table, taken: dict[str, _Candidate]) -> None:
    """Infer missing units of lap distance and speed from the car's motion."""
    time, speed, distance = (taken.get(f) for f in ("t_s", "speed_mps", "lap_distance_m"))
    if time is None:
        return
    dt = motion.step_s(table, time.column, time.unit)
    told = None if speed is None else table.numbers(speed.column)[:-1]
    way = motion.step_in_plane(table, {f: (c.column, c.unit) for f, c in taken.items()}, dt)
    way = None if way is None else motion.moving(way, dt, told)
    along = None if distance is None else motion.moving(np.diff(table.numbers(distance.column)), dt, told)
    pace = None if told is None else told * dt
    ask_speed = speed is not None and not motion.is_written(speed.why)
    ask_distance = distance is not None and not motion.is_written(distance.why)
    if way is None and along is not None and pace is not None and told is not None and ask_speed and ask_distance:
        length, unit = motion.units_together(along, told, dt)
        _settle(distance, length, "its speed and its lap distance agree")
        _settle(speed, unit, "its speed and its lap distance agree")
        return
    if distance is not None and along is not None and ask_distance:
        true = way if way is not None else None if ask_speed or pace is None else pace * _factor(speed)
        if true is not None:
            _settle(distance, motion.unit_by_ratio("lap_distance_m", along, true), "the car moves as it says")
    if pace is not None and ask_speed:
        true = way if way is not None else None if along is None else along * _factor(distance)
        if true is not None:
            _settle(speed, motion.unit_by_ratio("speed_mps", pace, true), "the car moves as its speed says")


def _settle(c: _Candidate | None, unit: str, why: str) -> None:
    if c is not None and unit:
        c.unit = unit
        c.why = [w for w in c.why if "look like" not in w] + [f"{why} in {unit}"]
        c.score += 0.05


def _factor(c: _Candidate | None) -> float:
    return 1.0 if c is None else UNITS[c.field].get(c.unit, 1.0)
