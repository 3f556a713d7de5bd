"""The reference on disk: an Arrow IPC file, one column per channel, everything else in the schema's metadata."""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.ipc

from coach.core.columns import Floats
from coach.core.track.envelope import Shown
from coach.core.track.reference import REFERENCE_COLUMNS, Reference
from coach.errors import ProfileError, expected
from coach.files import write_atomically

SCHEMA: Final = 1
MAX_BYTES: Final = 64 * 1024 * 1024
MAX_NODES: Final = 400_000
"""Nodes of a 100 km course at the finest step, 0.25 m."""
_KEY: Final = b"reference"
_ALWAYS: Final = ("t_s", "speed_mps")
_WHOLE_OR_ABSENT: Final = ("x_m", "y_m", "z_m", "heading_rad", "curvature_pm")
_RANGES: Final = {"throttle": (0.0, 1.0), "brake": (0.0, 1.0), "gear": (-1.0, 12.0), "speed_mps": (0.0, 200.0),
                  "left_m": (0.0, 1000.0), "right_m": (0.0, 1000.0)}  # fmt: skip


class _Meta(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """The schema's metadata as JSON; an absent origin is null."""

    schema: int
    circuit: str
    closed: bool
    step_m: float
    length_m: float
    lap_time_s: float
    origin_lat_deg: float | None = None
    origin_lon_deg: float | None = None
    inferred_pedals: bool = False
    shown: Shown | None = None


def write_reference(path: Path, reference: Reference) -> None:
    """Write ``reference`` to ``path`` atomically; raise ProfileError on failure (also if it would not be readable)."""
    _check(reference, str(path))
    lat, lon = reference.origin_lat_deg, reference.origin_lon_deg
    meta = _Meta(
        SCHEMA,
        reference.circuit,
        bool(reference.closed),
        float(reference.step_m),
        float(reference.length_m),
        float(reference.lap_time_s),
        float(lat) if math.isfinite(lat) else None,
        float(lon) if math.isfinite(lon) else None,
        bool(reference.inferred_pedals),
        reference.shown,
    )
    columns = {n: pa.array(np.asarray(getattr(reference, n), np.float64)) for n in REFERENCE_COLUMNS}
    table = pa.table(columns).replace_schema_metadata({_KEY: msgspec.json.encode(meta)})
    sink = io.BytesIO()
    with pa.ipc.new_file(sink, table.schema, options=pa.ipc.IpcWriteOptions(compression="zstd")) as writer:
        writer.write_table(table)
    try:
        write_atomically(path, sink.getvalue())
    except OSError as e:
        raise ProfileError(str(path), f"cannot be written: {e.strerror or e}") from None


def read_reference(path: Path) -> Reference:
    """Read and validate a reference; raise ProfileError with the file and the fault."""
    try:
        if not path.is_file():
            raise ProfileError(str(path), "expected a reference made by a survey, found no file")
        if path.stat().st_size > MAX_BYTES:
            raise ProfileError(str(path), f"expected at most {MAX_BYTES} bytes, found {path.stat().st_size}")
        data = path.read_bytes()
    except OSError as e:
        raise ProfileError(str(path), f"cannot be read: {e.strerror or e}") from None
    return decode_reference(data, str(path))


def decode_reference(data: bytes, name: str) -> Reference:
    """Return a reference from the bytes of its file; ``name`` appears in messages. Raise ProfileError if invalid."""
    try:
        table, raw = _table(data, name)
        meta = msgspec.json.decode(raw, type=_Meta)
    except msgspec.MsgspecError as e:
        raise ProfileError(name, f"found metadata that does not fit: {e}") from None
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError) as e:
        line = " ".join(str(e).split())[:100]
        raise ProfileError(name, f"found no Arrow IPC file of a reference ({line})") from None
    if meta.schema != SCHEMA:
        raise ProfileError(name, f"schema: expected {SCHEMA}, found {meta.schema}")
    columns: dict[str, Any] = {n: _floats(table[n]) for n in REFERENCE_COLUMNS}
    reference = Reference(
        circuit=meta.circuit,
        closed=meta.closed,
        step_m=meta.step_m,
        length_m=meta.length_m,
        lap_time_s=meta.lap_time_s,
        origin_lat_deg=math.nan if meta.origin_lat_deg is None else meta.origin_lat_deg,
        origin_lon_deg=math.nan if meta.origin_lon_deg is None else meta.origin_lon_deg,
        inferred_pedals=meta.inferred_pedals,
        shown=meta.shown,
        **columns,
    )
    _check(reference, name)
    return reference


def _floats(column: Any) -> Floats:
    """Return a copy of the values of a column, NaN for null; ``to_numpy`` would import pandas if installed."""
    values = column.to_numpy() if column.null_count else np.from_dlpack(column.combine_chunks())
    return np.array(values, dtype=np.float64)


def _table(data: bytes, name: str) -> tuple[Any, bytes]:
    """Return the table and its metadata; check sizes before unpacking a column."""
    with pa.ipc.open_file(pa.BufferReader(data)) as reader:
        schema = reader.schema
        found = set(schema.names)
        if found != set(REFERENCE_COLUMNS) or len(schema.names) != len(REFERENCE_COLUMNS):
            wrong = ", ".join(sorted(found ^ set(REFERENCE_COLUMNS))) or "a column twice"
            allowed = ", ".join(REFERENCE_COLUMNS)
            raise ProfileError(name, f"columns: expected {allowed}; missing or unknown: {wrong[:100]}")
        for field in schema:
            if field.type != pa.float64():
                raise ProfileError(name, f"{field.name}: expected float64, found {field.type}")
        if reader.num_record_batches > 64:
            raise ProfileError(name, f"expected at most 64 batches, found {reader.num_record_batches}")
        raw = (schema.metadata or {}).get(_KEY)
        if raw is None:
            raise ProfileError(name, "expected a file made by a survey, found no reference metadata")
        table = reader.read_all()
        table.validate(full=True)
    if table.num_rows > MAX_NODES:
        raise ProfileError(name, f"expected at most {MAX_NODES} nodes, found {table.num_rows}")
    if any(column.null_count for column in table.columns):
        raise ProfileError(name, "expected numbers (NaN where a channel is absent), found null values")
    return table, raw


def _check(reference: Reference, name: str) -> None:
    def need(true: bool, field: str, found: object, allowed: str) -> None:
        if not true:
            raise ProfileError(name, f"{field}: {expected(allowed, found)}")

    n = len(reference)
    need(3 <= n <= MAX_NODES, "nodes", n, f"3 to {MAX_NODES}")
    step, length = reference.step_m, reference.length_m
    need(math.isfinite(step) and 0.25 <= step <= 20, "step_m", step, "0.25 to 20 m")
    whole = (n if reference.closed else n - 1) * step
    agrees = math.isfinite(length) and abs(length - whole) <= 1e-6 * max(whole, 1.0)
    need(agrees, "length_m", length, f"{whole:g} m: {n} nodes of {step:g} m, closed: {reference.closed}")
    circuit = reference.circuit
    need(0 < len(circuit) <= 40 and circuit.isprintable(), "circuit", repr(circuit[:60]), "1 to 40 characters")
    for column in REFERENCE_COLUMNS:
        values = getattr(reference, column)
        need(values.shape == (n,), column, f"shape {values.shape}", f"({n},)")
        need(not np.isinf(values).any(), column, "an infinite value", "finite numbers")
        absent = np.isnan(values)
        if column in _ALWAYS:
            need(not absent.any(), column, f"NaN at node {_first(absent)}", "finite numbers")
        elif column in _WHOLE_OR_ABSENT:
            need(absent.all() or not absent.any(), column, f"NaN at node {_first(absent)}", "all or none absent")
        if column in _RANGES:
            low, high = _RANGES[column]
            out = (values < low) | (values > high)  # NaN is neither of them
            at = _first(out)
            need(not out.any(), column, f"{values[at]:g} at node {at}", f"{low:g} to {high:g}")
    backward = np.diff(reference.t_s) <= 0
    need(not backward.any(), "t_s", f"a time that does not rise at node {_first(backward) + 1}", "rising times")
    need(abs(reference.t_s[0]) <= 1e-9, "t_s", f"{reference.t_s[0]:g} at node 0", "0 at node 0")
    last, lap = float(reference.t_s[-1]), reference.lap_time_s
    ends = math.isfinite(lap) and (lap > last if reference.closed else abs(lap - last) <= 1e-6)
    need(ends, "lap_time_s", lap, f"{'more than' if reference.closed else 'just'} {last:g}, the last node's time")
    if reference.has_line:
        _check_line(reference, need)


def _check_line(reference: Reference, need: Any) -> None:
    """Check that positions are one step apart, including the seam of a closed circuit."""
    x, y = reference.x_m, reference.y_m
    need(bool(np.isfinite(y[0])), "y_m", "no positions", "both x_m and y_m, or neither")
    gap = np.hypot(np.diff(x), np.diff(y))
    far = gap > 1.5 * reference.step_m + 0.5
    need(not far.any(), "x_m, y_m", f"a jump of {gap[_first(far)]:.1f} m after node {_first(far)}",
         f"steps of about {reference.step_m:g} m")  # fmt: skip
    if reference.closed:
        seam = float(np.hypot(x[0] - x[-1], y[0] - y[-1]))
        need(seam <= 1.5 * reference.step_m + 5.0, "x_m, y_m", f"a gap of {seam:.1f} m at the line", "a closed line")


def _first(where: Any) -> int:
    return int(np.argmax(where))
