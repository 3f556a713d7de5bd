"""Converts a table by a column map to session frames, with a note for each change made; and frames to a table."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from feeds.counters import Counters
from feeds.errors import FeedFormatError, FeedOpenError
from feeds.frame import CHANNELS, Floats, frames_of, rows_of
from feeds.importers.bounds import check_plain_file
from feeds.importers.column_map import ColumnChoice, ColumnMap
from feeds.importers.csv_file import read_csv
from feeds.importers.laps import FinishLine, LapSpan, by_column, by_times, crossings, falls, find_line
from feeds.importers.other_files import read_gpx, read_mdf, read_parquet
from feeds.importers.table import Progress, Table
from feeds.infer import pedals_of_record
from feeds.plane import Plane
from feeds.plausible import Gate
from feeds.units import UNITS


def export(path: Path, parts: Iterable[Floats], progress: Progress = lambda done, what: None) -> int:
    """Write arrays of shape (channels, n) to ``path`` in the format of its extension (.csv, .parquet); return the
    number of rows.

    Channels without any value are left out; single absent values are empty. Raise FeedError on failure.
    """
    kind = path.suffix.lower()
    if kind not in (".csv", ".parquet"):
        raise FeedFormatError(f"{path}: expected a name ending in .csv or .parquet, found {kind or 'no ending'}")
    progress(0.0, "reading frames")
    whole = np.concatenate([np.empty((len(CHANNELS), 0)), *parts], axis=1)
    columns = {n: row for n, row in zip(CHANNELS, whole, strict=True) if n == "t_s" or np.isfinite(row).any()}
    # absent values are NaN here and empty there
    frame = pa.table({n: pa.array(row, from_pandas=True) for n, row in columns.items()})
    progress(0.5, "writing")
    try:
        if kind == ".csv":
            pa_csv.write_csv(frame, path)
        else:
            pq.write_table(frame, path)
    except (OSError, pa.ArrowException) as error:
        raise FeedOpenError(f"{path}: cannot be written ({error})") from error
    progress(1.0, "done")
    return int(frame.num_rows)


FORMATS: Final = ".csv .txt .tsv .parquet .mf4 .mdf .dat .gpx"
_GAP_S: Final = 1.0
_AT: Final = {name: i for i, name in enumerate(CHANNELS)}
_LATER_S: Final = 1e-9


class Imported(msgspec.Struct, frozen=True):
    """``data`` of shape (channels, n) in the order of :data:`feeds.frame.CHANNELS`.

    ``origin`` latitude and longitude [degrees] of the plane, NaN without one. ``notes`` one line each, for the user.
    """

    data: Floats
    given: tuple[str, ...]
    inferred: tuple[str, ...]
    origin: tuple[float, float]
    rate_hz: float
    laps: list[LapSpan]
    counters: dict[str, int]
    notes: list[str]


def read_table(path: Path, *, separator: str = "", decimal: str = "") -> Table:
    """Return the table in a file, by its extension. Raise FeedError if it is unreadable or of another format."""
    check_plain_file(path)
    kind = path.suffix.lower()
    if kind in (".csv", ".txt", ".tsv"):
        return read_csv(path, separator=separator, decimal=decimal)
    if kind == ".parquet":
        return read_parquet(path)
    if kind in (".mf4", ".mdf", ".dat"):
        return read_mdf(path)
    if kind == ".gpx":
        return read_gpx(path)
    raise FeedFormatError(f"{path}: expected a name ending in {FORMATS}; found {kind or 'no ending'}")


def convert(
    table: Table, column_map: ColumnMap, source: str = "table", progress: Progress = lambda done, what: None
) -> Imported:
    """Return the session in ``table``. Raise FeedFormatError if a column is missing or too little of it is usable."""
    notes = [table.note] if table.note else []
    progress(0.0, "reading columns")
    values = _si(table, column_map.columns, source)
    values["t_s"] = _one_clock(values, notes)
    values = _in_order(values, notes, source)
    progress(0.3, "placing")
    origin = _place(values)
    _lap_distance(values, notes)
    t = values["t_s"]
    inferred: list[str] = []
    if "speed_mps" not in values:
        values["speed_mps"] = _speed(values)
        inferred.append("speed_mps")
    if "throttle" not in values and "brake" not in values:
        progress(0.4, "inferring pedals")
        values["throttle"], values["brake"] = pedals_of_record(t, values["speed_mps"])
        inferred += ["throttle", "brake"]
    progress(0.6, "cutting laps")
    laps = _cut(values, column_map, origin, notes)
    progress(0.8, "checking")
    data = np.full((len(CHANNELS), len(t)), np.nan)
    for name, column in values.items():
        if name in _AT:
            data[_AT[name]] = column
    counters = Counters({"received": data.shape[1]})
    gate = Gate(counters)
    data = rows_of(out for frame in frames_of(data) for out in gate.admit(frame))
    if data.shape[1] < 2:
        raise FeedFormatError(f"{source}: no two rows have a usable time and place; check the columns and their units")
    given = tuple(n for n in CHANNELS if np.isfinite(data[_AT[n]]).any())
    if inferred:
        notes.append(f"inferred from the motion: {', '.join(inferred)}")
    rate = 1.0 / float(np.median(np.diff(data[0])))
    progress(1.0, "done")
    return Imported(data, given, tuple(inferred), origin, rate, laps, dict(counters), notes)


def _si(table: Table, columns: dict[str, ColumnChoice], source: str) -> dict[str, Floats]:
    values = {}
    for field, choice in columns.items():
        try:
            raw = table.numbers(choice.column)
        except KeyError:
            shown = ", ".join(table.names[:30]) + (", ..." if len(table.names) > 30 else "")
            raise FeedFormatError(f"{source}: expected one of the columns {shown}; found {choice.column!r}") from None
        value = raw * choice.scale + choice.shift
        if choice.of_largest:
            # the 99.9th percentile, so that one spike does not scale everything down
            largest = float(np.nanquantile(value, 0.999)) if np.isfinite(value).any() else 1.0
            value = np.clip(value / largest, 0.0, 1.0) if largest > 0 else value
        elif choice.unit:
            value = value * UNITS[field][choice.unit]
        values[field] = value
    return values


def _one_clock(values: dict[str, Floats], notes: list[str]) -> Floats:
    """Return a time that restarts each lap as one continuous time."""
    t = values["t_s"].copy()
    finite = np.flatnonzero(np.isfinite(t))
    if len(finite) < 2:
        return t
    steps = np.diff(t[finite])
    step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    back = np.flatnonzero(steps < -_GAP_S)
    if len(back) and all(t[finite[i + 1]] < 2.0 + 0.05 * t[finite[i]] for i in back):
        shift = np.zeros(len(finite))
        for i in back:
            shift[i + 1 :] += t[finite[i]] - t[finite[i + 1]] + step
        t[finite] += shift
        notes.append(f"the clock restarts {len(back)} times; its time was made continuous")
    return t


def _in_order(values: dict[str, Floats], notes: list[str], source: str) -> dict[str, Floats]:
    """Return the rows that have a time, sorted and unique; session time starts at 0."""
    t = values["t_s"]
    usable = np.flatnonzero(np.isfinite(t))
    if len(usable) < 2:
        raise FeedFormatError(f"{source}: fewer than two rows have a time; check the column of t_s")
    order = usable[np.argsort(t[usable], kind="stable")]
    if (np.diff(t[usable]) < 0).any():
        notes.append("rows were not in order of time and were sorted")
    keep = np.concatenate([[True], np.diff(t[order]) > _LATER_S])
    for count, what in (
        (len(t) - len(usable), "without a time"),
        (int((~keep).sum()), "of a time that was there already"),
    ):
        if count:
            notes.append(f"{count} rows {what} were left out")
    out = {name: column[order][keep] for name, column in values.items()}
    out["t_s"] = out["t_s"] - out["t_s"][0]
    gaps = np.diff(out["t_s"])
    gaps = gaps[gaps > _GAP_S]
    if len(gaps):
        notes.append(f"{len(gaps)} gaps of more than {_GAP_S:g} s, the longest {gaps.max():.1f} s")
    return out


def _place(values: dict[str, Floats]) -> tuple[float, float]:
    """Project latitude and longitude onto the plane and return its origin."""
    if "lat_deg" not in values or "lon_deg" not in values:
        return math.nan, math.nan
    lat, lon = values["lat_deg"], values["lon_deg"]
    # receivers write 0, 0 before their first fix
    bad = ~((np.abs(lat) <= 90) & (np.abs(lon) <= 180) & ((np.abs(lat) > 1e-9) | (np.abs(lon) > 1e-9)))
    lat, lon = np.where(bad, np.nan, lat), np.where(bad, np.nan, lon)
    values["lat_deg"], values["lon_deg"] = lat, lon
    first = np.flatnonzero(~bad)
    if "x_m" in values or not len(first):
        return math.nan, math.nan
    # the median, which one wild first fix cannot move
    origin = float(np.nanmedian(lat)), float(np.nanmedian(lon))
    values["x_m"], values["y_m"] = Plane(*origin).to_xy_arrays(lat, lon)
    return origin


def _lap_distance(values: dict[str, Floats], notes: list[str]) -> None:
    """Reset a distance that grows over the whole record at each lap, or leave it out."""
    distance = values.get("lap_distance_m")
    if distance is None or falls(distance) or np.nanmax(distance) < 1000.0:
        return
    lap = values.get("lap")
    if lap is None:
        if "x_m" in values:
            del values["lap_distance_m"]
            notes.append("the distance grows over the whole record and was left out")
        return
    starts = np.flatnonzero(np.diff(lap, prepend=np.nan) != 0)
    if len(starts) < 2:
        return
    base = distance[starts][np.searchsorted(starts, np.arange(len(distance)), side="right") - 1]
    values["lap_distance_m"] = distance - base
    notes.append("the distance grows over the whole record and was counted from the start of each lap")


def _speed(values: dict[str, Floats]) -> Floats:
    """Return the speed from position by a line fit through each row's neighbours; shape (n,)."""
    t = values["t_s"]
    if "x_m" in values:
        return np.hypot(np.gradient(values["x_m"], t), np.gradient(values["y_m"], t))
    distance = values.get("lap_distance_m")
    if distance is None:
        return np.full(len(t), np.nan)
    speed = np.gradient(distance, t)
    # resets at the line, and the rows beside them, have no slope
    return np.where(np.abs(speed) > 150.0, np.nan, speed)


def _cut(
    values: dict[str, Floats], column_map: ColumnMap, origin: tuple[float, float], notes: list[str]
) -> list[LapSpan]:
    t = values["t_s"]
    way = column_map.laps
    lap = values.get("lap")
    distance = values.get("lap_distance_m", values.get("lap_fraction"))
    if way in ("guess", "column") and lap is not None and (way == "column" or np.ptp(lap[np.isfinite(lap)]) > 0):
        notes.append("laps cut by the lap column")
        return by_column(t, lap)
    starts = falls(distance) if distance is not None and way in ("guess", "distance") else []
    if starts:
        values["lap"], laps = by_times(t, [float(t[i]) for i in starts])
        notes.append("laps cut where the lap distance restarts")
        return laps
    if way in ("guess", "line") and "x_m" in values:
        line = _given_line(column_map, origin) or find_line(t, values["x_m"], values["y_m"], values["speed_mps"])
        times = crossings(t, values["x_m"], values["y_m"], line) if line else []
        if line is not None and times:
            values["lap"], laps = by_times(t, times)
            found = "the given line" if column_map.line else "a line found from the path"
            notes.append(f"laps cut at {found}: x {line.x_m:.1f} m, y {line.y_m:.1f} m, "
                         f"heading {math.degrees(math.pi / 2 - line.heading_rad) % 360:.0f} degrees")  # fmt: skip
            return laps
    if lap is None and way != "none":
        notes.append("no lap was found: the path does not come back to itself")
    return []


def _given_line(column_map: ColumnMap, origin: tuple[float, float]) -> FinishLine | None:
    given = column_map.line
    if given is None:
        return None
    heading = math.pi / 2 - math.radians(given.heading_deg)
    if given.x_m is not None and given.y_m is not None:
        return FinishLine(given.x_m, given.y_m, heading)
    if given.lat_deg is None or given.lon_deg is None or math.isnan(origin[0]):
        return None
    return FinishLine(*Plane(*origin).to_xy(given.lat_deg, given.lon_deg), heading)
