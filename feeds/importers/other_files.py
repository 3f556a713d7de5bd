"""Parquet, ASAM MDF4 and GPX files as tables."""

from __future__ import annotations

import importlib.util
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from feeds.errors import FeedFormatError, FeedOpenError
from feeds.importers.bounds import MAX_COLUMNS, check_size, printable
from feeds.importers.in_child import ChildFailedError, call_in_child
from feeds.importers.table import Table

_RASTER_S: Final = 0.01
"""Channels of a measurement file have their own rates; they are resampled to this rate."""


def read_parquet(path: Path) -> Table:
    """Return a Parquet file; units from the metadata key ``unit`` of its fields. Raise FeedError if it is not one."""
    try:
        with pq.ParquetFile(path) as file:
            schema = file.schema_arrow
            usable = [f for f in schema if _is_usable(f.type) and schema.names.count(f.name) == 1]
            check_size(path, file.metadata.num_rows, len(usable))
            table = file.read(columns=[f.name for f in usable])
    except FileNotFoundError as error:
        raise FeedOpenError(f"{path}: no such file") from error
    except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
        raise FeedFormatError(f"{path}: not a Parquet file ({' '.join(str(error).split())[:150]})") from error
    units = {printable(f.name): (f.metadata or {}).get(b"unit", b"").decode(errors="replace") for f in table.schema}
    table = table.rename_columns([printable(name) for name in table.schema.names])
    return Table(table, units, note="Parquet")


def _is_usable(kind: Any) -> bool:
    """Return whether a column of this type can hold numbers, flags, text or times; nested and binary ones cannot."""
    types = pa.types
    return any(
        test(kind)
        for test in (
            types.is_integer, types.is_floating, types.is_boolean, types.is_string, types.is_large_string,
            types.is_timestamp, types.is_date, types.is_time, types.is_duration,
        )
    )  # fmt: skip


def read_gpx(path: Path) -> Table:
    """Return the points of all tracks of a GPX 1.0 or 1.1 file that have a time. Raise FeedError if it is not one."""
    import gpxpy  # here, as reading a GPX file is rare

    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except (OSError, ValueError) as error:
        raise FeedOpenError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})") from error
    try:
        log = gpxpy.parse(text)
    except (gpxpy.gpx.GPXException, ValueError, TypeError, AttributeError, LookupError, RecursionError) as error:
        raise FeedFormatError(f"{path}: not a GPX file ({' '.join(str(error).split())[:150]})") from error
    points = [p for track in log.tracks for segment in track.segments for p in segment.points if p.time is not None]
    if not points:
        raise FeedFormatError(f"{path}: no track point has a time")
    check_size(path, len(points), 5)
    try:
        times = [_utc(p.time) for p in points if p.time is not None]
        since = [(time - times[0]).total_seconds() for time in times]
    except (OverflowError, ValueError) as error:
        raise FeedFormatError(f"{path}: a track point has an invalid time or zone ({error})") from error
    columns: dict[str, list[float | None]] = {
        "time": [*since],
        "latitude": [p.latitude for p in points],
        "longitude": [p.longitude for p in points],
        "height": [p.elevation for p in points],
        "speed": [p.speed for p in points],
    }
    frame = pa.table({k: pa.array(v, pa.float64()) for k, v in columns.items() if any(x is not None for x in v)})
    units = {"time": "s", "latitude": "deg", "longitude": "deg", "height": "m", "speed": "m/s"}
    return Table(frame, units, note=f"GPX, {len(points)} points")


def _utc(time: datetime) -> datetime:
    """Return a time without a zone as UTC, as GPX 1.1 requires."""
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


def read_mdf(path: Path) -> Table:
    """Return an ASAM MDF 3 or 4 file, all channels on one clock of 100 Hz; needs the package asammdf. FeedError."""
    if importlib.util.find_spec("asammdf") is None:
        raise FeedOpenError(
            f"{path}: the package asammdf is needed for measurement files; install it with: pip install asammdf"
        )
    try:
        with open(path, "rb") as file:
            head = file.read(68)
    except OSError as error:
        raise FeedOpenError(f"{path}: cannot be read ({error.strerror})") from error
    # the identification block is 64 bytes, the header block follows it (ASAM MDF 4.1, 5.3 and 5.4: from memory)
    if head[:3] not in (b"MDF", b"UnF") or head[64:66] not in (b"HD", b"##"):
        raise FeedFormatError(f"{path}: not a measurement file (it does not begin like one)")
    try:
        columns, units = call_in_child(_mdf_columns, path)
    except ChildFailedError as error:
        text = str(error).removeprefix(f"{path}: ")
        raise FeedFormatError(f"{path}: not a usable measurement file ({text})") from None
    return Table(pa.table(columns), units, note=f"measurement file, {len(units) - 1} channels")


def _mdf_columns(path: Path) -> tuple[dict[str, Any], dict[str, str]]:
    """Return columns and units of a measurement file; read in a child process, as the parser trusts the file."""
    import asammdf

    with asammdf.MDF(path) as log:
        values = sum(group.channel_group.cycles_nr * len(group.channels) for group in log.groups)
        check_size(path, values, 1)
        signals = [s for s in islice(log.iter_channels(skip_master=True), MAX_COLUMNS) if _is_plain(s)]
    return _side_by_side(path, signals)


def _side_by_side(path: Path, signals: list[Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return all channels on one clock; raise FeedFormatError if there are none or the clock is too long."""
    if not signals:
        raise FeedFormatError(f"{path}: no channel holds numbers")
    start = min(float(s.timestamps[0]) for s in signals)
    end = max(float(s.timestamps[-1]) for s in signals)
    if not 0.0 <= end - start < 86_400.0:
        raise FeedFormatError(f"{path}: expected a clock of at most a day, found {start:g} s to {end:g} s")
    rows = int((end - start) / _RASTER_S) + 1
    check_size(path, rows, len(signals) + 1)
    t = start + np.arange(rows) * _RASTER_S
    columns: dict[str, Any] = {"time": t - start}
    units = {"time": "s"}
    for signal in signals:
        name = printable(signal.name)
        name = name if name not in columns else f"{name} #{len(columns)}"
        columns[name] = _on_clock(signal, t)
        units[name] = str(signal.unit or "")
    return columns, units


def _is_plain(signal: Any) -> bool:
    samples = signal.samples
    return (
        samples.ndim == 1 and samples.dtype.kind in "iufb" and len(samples) > 1 and np.isfinite(signal.timestamps).all()
    )


def _on_clock(signal: Any, t: Any) -> Any:
    """Return the numbers between two samples on the line between them; counts and flags as the last sample had them."""
    values = signal.samples.astype(np.float64)
    if signal.samples.dtype.kind == "f":
        out = np.interp(t, signal.timestamps, values, left=np.nan, right=np.nan)
    else:
        last = np.searchsorted(signal.timestamps, t, side="right") - 1
        out = np.where(last >= 0, values[np.maximum(last, 0)], np.nan)
    return out
