"""Identifies columns by their values where their names say nothing and the values leave no doubt.

Time grows in even steps. A speed matches the change of position, or of the distance that resets at the line. Gears are
small whole numbers that follow the speed; a throttle opens while the car gains speed, a brake closes while it loses it.
A pedal's column must fit far better than every other; uncertain columns are left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import Final

import msgspec
import numpy as np

from feeds.frame import Floats
from feeds.importers import motion
from feeds.importers.laps import falls
from feeds.importers.table import Table
from feeds.units import UNITS

_ROWS: Final = 20_000
_EVEN: Final = 0.1
"""Steps of a time differ from their median by less than this share (60 Hz in whole milliseconds: 0.06) ..."""
_STEADY: Final = 0.9
"""... in this share of the rows at least; a distance does not grow that evenly on a circuit."""
_STEP_S: Final = (0.001, 0.5)
_SMOOTH: Final = 0.05
"""A position changes by less than this share of its range from row to row."""
_AGREES: Final = 0.03
"""Median deviation of distance from speed times time, second by second, if both are identified correctly."""
_MOST_PLACES: Final = 10
_SLOW_MPS: Final = 3.0
_TOP_MPS: Final = 130.0
_FEWEST_S: Final = 20
_VARIES: Final = 0.2
"""A speed that varies less than this matches too many columns."""
_PEDAL_TOPS: Final = {"share": 1.0, "percent": 100.0, "byte": 255.0}
_FOLLOWS: Final = 0.45
"""Least correlation of a pedal with the change of speed."""
_FAR_BETTER: Final = 1.3
_GEARS: Final = (3, 10)
Known = Mapping[str, tuple[str, str]]
"""Field -> column and unit already known."""


class ByValue(msgspec.Struct, frozen=True):
    """A field identified by values alone. ``of_largest``: scaled as a share of the largest value."""

    field: str
    column: str
    unit: str
    why: str
    of_largest: bool = False


def by_value(table: Table, known: Known) -> list[ByValue]:
    """Return the fields not yet ``known`` that column values identify; each column serves one field."""
    # files hold infinities and overflowing numbers: these match nothing
    with np.errstate(all="ignore"):
        return _by_value(table.head(_ROWS), known)


def _by_value(table: Table, known: Known) -> list[ByValue]:
    found: dict[str, ByValue] = {}
    used = {column for column, _ in known.values()}
    free = {name: values for name in table.names if name not in used and _usable(values := _finite(table, name))}

    def take(ones: Sequence[ByValue]) -> None:
        for one in ones:
            found[one.field] = one
            free.pop(one.column, None)

    if "t_s" not in known:
        take(_time(free))
    columns = dict(known) | {f: (one.column, one.unit) for f, one in found.items()}
    if "t_s" not in columns:
        return []
    dt = motion.step_s(table, *columns["t_s"])
    if not float(np.median(dt)) > 0.0:
        return list(found.values())
    take(_speed_and_place(table, free, columns, dt))
    columns |= {f: (one.column, one.unit) for f, one in found.items()}
    if "speed_mps" not in columns:
        return list(found.values())
    column, unit = columns["speed_mps"]
    speed = table.numbers(column) * UNITS["speed_mps"].get(unit, 1.0)
    if "gear" not in columns:
        take(_gear(free, speed))
    take(_pedals(free, speed, dt, columns))
    if "lap" not in columns and "lap_distance_m" in columns:
        take(_lap(free, table.numbers(columns["lap_distance_m"][0])))
    return list(found.values())


def _finite(table: Table, name: str) -> Floats:
    values = table.numbers(name)
    return np.where(np.isfinite(values), values, np.nan)


def _usable(values: Floats) -> bool:
    good = values[np.isfinite(values)]
    return len(good) > 0.9 * len(values) and len(good) >= 100 and float(np.ptp(good)) > 0.0


def _time(free: Mapping[str, Floats]) -> list[ByValue]:
    """Return the only column that grows in even steps of milliseconds; a row number does not qualify."""
    fit = []
    for name, values in free.items():
        steps = np.diff(values)
        middle = float(np.median(steps))
        if middle <= 0.0 or np.mean(steps > 0.0) < 0.99:
            continue
        if np.mean(np.abs(steps - middle) < _EVEN * middle) < _STEADY:
            continue
        units = [u for u in ("s", "ms", "us") if _STEP_S[0] <= middle * UNITS["t_s"][u] <= _STEP_S[1]]
        if units and not (middle == 1.0 and bool((steps == 1.0).all())):
            fit.append((name, units[0], middle * UNITS["t_s"][units[0]]))
    # two clocks that agree are one time; two that disagree are ambiguous
    if not fit or max(step for *_, step in fit) > 1.01 * min(step for *_, step in fit):
        return []
    name, unit, step = fit[0]
    return [ByValue("t_s", name, unit, f"grows steadily, by {step:.3g} s a row")]


def _speed_and_place(table: Table, free: Mapping[str, Floats], known: Known, dt: Floats) -> list[ByValue]:
    """Return the speed and the position among the free columns that agree with each other."""
    middle = float(np.median(dt))
    rows = max(round(1.0 / middle), 1)
    fair = np.where((dt > 0.0) & (dt < 2.0), dt, np.nan)
    speeds = [(name, unit, _seconds(values[:-1] * fair, rows)) for name, unit, values in _speeds(table, free, known)]
    best: tuple[float, list[ByValue]] = (_AGREES, [])
    for made, way in _ways(table, free, known, dt):
        places = {one.column for one in made}
        driven = _seconds(way, rows)
        for name, unit, told in speeds:
            if name in places:
                continue
            for chosen in [unit] if unit else list(UNITS["speed_mps"])[:4]:
                miss = _miss(driven, told * UNITS["speed_mps"][chosen], rows * middle)
                if miss < best[0]:
                    by = [] if unit else [ByValue("speed_mps", name, chosen, "fits the change of place")]
                    best = (miss, [*by, *made])
    return best[1]


def _speeds(table: Table, free: Mapping[str, Floats], known: Known) -> list[tuple[str, str, Floats]]:
    if "speed_mps" in known:
        column, unit = known["speed_mps"]
        return [(column, unit or "m/s", table.numbers(column))]
    return [(n, "", v) for n, v in free.items() if np.nanmin(v) > -1.0 and 3.0 < np.nanmax(v) < 500.0]


def _ways(table: Table, free: Mapping[str, Floats], known: Known, dt: Floats) -> Iterator[tuple[list[ByValue], Floats]]:
    """Yield possible positions, each with the metres from row to row."""
    for pair in (("x_m", "y_m"), ("lat_deg", "lon_deg")):
        if set(pair) <= known.keys():
            yield [], _plane(table, {f: known[f] for f in pair}, dt)
            return
    if "lap_distance_m" in known:
        column, unit = known["lap_distance_m"]
        yield [], _along(table.numbers(column) * UNITS["lap_distance_m"].get(unit, 1.0))
        return
    smooth = [n for n, v in free.items() if np.nanquantile(np.abs(np.diff(v)), 0.99) < _SMOOTH * np.ptp(v)]
    for one, other in combinations(smooth[:_MOST_PLACES], 2):
        for lat, lon in ((one, other), (other, one)):
            if np.abs(free[lat]).max() <= 90.0 and np.abs(free[lon]).max() <= 180.0 and np.ptp(free[lat]) < 1.0:
                why = "degrees in which the car moves as its speed says"
                yield (
                    [ByValue("lat_deg", lat, "deg", why), ByValue("lon_deg", lon, "deg", why)],
                    _plane(table, {"lat_deg": (lat, "deg"), "lon_deg": (lon, "deg")}, dt),
                )
        why = "metres in which the car moves as its speed says; swap x and y if left and right are swapped"
        yield (
            [ByValue("x_m", one, "m", why), ByValue("y_m", other, "m", why)],
            _plane(table, {"x_m": (one, "m"), "y_m": (other, "m")}, dt),
        )
    for name, values in free.items():
        if falls(values) and np.nanmin(values) > -50.0 and np.nanmax(values) > 200.0:
            why = "grows as the car moves and falls back at the line"
            yield [ByValue("lap_distance_m", name, "m", why)], _along(values)


def _plane(table: Table, columns: Known, dt: Floats) -> Floats:
    way = motion.step_in_plane(table, dict(columns), dt)
    return np.full(len(dt), np.nan) if way is None else way


def _along(distance: Floats) -> Floats:
    step = np.diff(distance)
    return np.where(step >= 0.0, step, np.nan)


def _seconds(steps: Floats, rows: int) -> Floats:
    """Return the sums over one second of rows, NaN where any of them is."""
    return np.asarray(steps[: len(steps) // rows * rows].reshape(-1, rows).sum(axis=1), dtype=np.float64)


def _miss(driven: Floats, told: Floats, seconds: float) -> float:
    """Return the median deviation of distance from speed times time, as a share; infinite if too little matches."""
    fast = np.isfinite(driven) & (told > _SLOW_MPS * seconds)
    if np.count_nonzero(fast) < _FEWEST_S or np.nanmax(told) > _TOP_MPS * seconds:
        return float("inf")
    if float(np.ptp(told[fast])) < _VARIES * float(told[fast].max()):
        return float("inf")
    return float(np.median(np.abs(driven[fast] / told[fast] - 1.0)))


def _gear(free: Mapping[str, Floats], speed: Floats) -> list[ByValue]:
    """Return the column of several small integers that rise and fall with the speed."""
    fit = []
    for name, values in free.items():
        kinds = np.unique(values[np.isfinite(values)])
        if not _GEARS[0] <= len(kinds) <= _GEARS[1] or (kinds != np.round(kinds)).any():
            continue
        if kinds[0] < -1 or kinds[-1] > 10 or (np.diff(values) >= 0.0).all():
            continue
        if _correlation(values, speed) > 0.6:
            fit.append(name)
    return [ByValue("gear", fit[0], "count", "small whole numbers that follow the speed")] if len(fit) == 1 else []


def _pedals(free: Mapping[str, Floats], speed: Floats, dt: Floats, known: Known) -> list[ByValue]:
    gain = np.gradient(speed, np.concatenate([[0.0], np.cumsum(np.where(dt > 0.0, dt, np.nan))]))
    bounded = [(name, values, unit) for name, values in free.items() if (unit := _pedal_unit(values)) is not None]
    found = []
    for field, sign, why in (
        ("throttle", 1.0, "open while the car gains speed"),
        ("brake", -1.0, "pressed while the car loses speed"),
    ):
        if field in known:
            continue
        scores = sorted(
            ((_correlation(v, np.maximum(sign * gain, 0.0)), n, u) for n, v, u in bounded if u or field == "brake"),
            reverse=True,
        )
        if not scores or scores[0][0] < _FOLLOWS:
            continue
        if len(scores) > 1 and scores[0][0] < _FAR_BETTER * scores[1][0]:
            continue  # a second one follows nearly as well: ambiguous
        _, name, unit = scores[0]
        found.append(ByValue(field, name, unit, why, of_largest=not unit))
        bounded = [b for b in bounded if b[0] != name]
    return found


def _pedal_unit(values: Floats) -> str | None:
    """Return the unit of a pedal's column, "" for a pressure of unknown maximum; None if it is neither."""
    high, low = float(np.nanmax(values)), float(np.nanmin(values))
    if high <= 0.0 or low < -0.02 * high or np.mean(values <= 0.02 * high) < 0.05:
        return None
    return next((unit for unit, top in _PEDAL_TOPS.items() if 0.5 * top < high <= 1.01 * top), "")


def _lap(free: Mapping[str, Floats], distance: Floats) -> list[ByValue]:
    """Return the integer column that counts up where the lap distance resets."""
    starts = falls(distance)
    for name, values in free.items():
        steps = np.diff(values)
        at = np.flatnonzero(steps > 0.0) + 1
        counts = len(at) == len(starts) > 0 and (steps >= 0.0).all() and (steps[at - 1] == 1.0).all()
        if counts and np.abs(at - np.array(starts)).max() <= 5:
            return [ByValue("lap", name, "count", "counts on where the distance falls back")]
    return []


def _correlation(one: Floats, other: Floats) -> float:
    good = np.isfinite(one) & np.isfinite(other)
    if np.count_nonzero(good) < 100 or np.ptp(one[good]) == 0.0 or np.ptp(other[good]) == 0.0:
        return 0.0
    return float(np.corrcoef(one[good], other[good])[0, 1])
