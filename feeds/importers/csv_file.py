"""Text files of unknown origin: finds the separator, the decimal sign, and where names, units and data begin."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import msgspec
import pyarrow as pa
import pyarrow.csv as pa_csv

from feeds.errors import FeedFormatError, FeedOpenError
from feeds.importers.bounds import MAX_LINE, check_size, printable
from feeds.importers.table import Table
from feeds.units import known_unit

_SEPARATORS: Final = (";", "\t", ",", "|")
_SAMPLE_LINES: Final = 200
_NUMBER: Final = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
_CLOCK: Final = re.compile(r"^[\dTZ:.,/+ -]+( ?[AaPp][Mm])?$")
_COMMA_NUMBER: Final = re.compile(r"^[+-]?\d*,\d+$")
_POINT_NUMBER: Final = re.compile(r"^[+-]?\d*\.\d+([eE][+-]?\d+)?$")
_BRACKETS: Final = "[]()<> "


class Layout(msgspec.Struct, frozen=True):
    """Layout of a text file. Rows count from 0; ``names_row`` and ``units_row`` are -1 if absent."""

    separator: str
    decimal_comma: bool
    names_row: int
    units_row: int
    data_row: int
    width: int


def read_csv(path: Path, *, separator: str = "", decimal: str = "") -> Table:
    """Return the table in a text file; ``separator`` and ``decimal`` ("." or ",") override the detection.

    Raise FeedOpenError if it is unreadable, FeedFormatError if it holds no table.
    """
    try:
        raw = path.read_bytes()
    except (OSError, ValueError) as error:
        raise FeedOpenError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})") from error
    text = _decode(raw)
    lines = text.splitlines()
    longest = max(range(len(lines)), key=lambda i: len(lines[i]), default=-1)
    if longest >= 0 and len(lines[longest]) > MAX_LINE:
        raise FeedFormatError(
            f"{path}:{longest + 1}: expected at most {MAX_LINE} characters in a line, found {len(lines[longest])}"
        )
    layout = find_layout(lines[:_SAMPLE_LINES], separator, decimal)
    if layout is None:
        raise FeedFormatError(
            f"{path}: expected a table: lines of numbers separated by one of: ; tab , | (or give the separator)"
        )
    check_size(path, len(lines) - layout.data_row, layout.width)
    names = _names(_cells(lines[layout.names_row], layout) if layout.names_row >= 0 else [], layout.width)
    units = _cells(lines[layout.units_row], layout) if layout.units_row >= 0 else []
    body = "\n".join(_even(lines[layout.data_row :], layout))
    try:
        frame = pa_csv.read_csv(
            pa.BufferReader(body.encode()),
            pa_csv.ReadOptions(column_names=names, use_threads=False),
            pa_csv.ParseOptions(delimiter=layout.separator),
            pa_csv.ConvertOptions(column_types=dict.fromkeys(names, pa.string())),
        )
    except (pa.ArrowException, ValueError, OverflowError) as error:
        raise FeedFormatError(f"{path}: the table cannot be read ({' '.join(str(error).split())[:150]})") from error
    said = {";": "semicolons", ",": "commas", "\t": "tabs", "|": "bars"}.get(layout.separator, repr(layout.separator))
    sign = "comma" if layout.decimal_comma else "point"
    note = f"columns parted by {said}, decimal {sign}, data from line {layout.data_row + 1}"
    return Table(
        frame,
        {n: u.strip(_BRACKETS) for n, u in zip(names, units, strict=False)},
        decimal_comma=layout.decimal_comma,
        note=note,
    )


def find_layout(lines: list[str], separator: str = "", decimal: str = "") -> Layout | None:
    """Return the layout of a file from its first lines; None when no two lines of numbers agree."""
    found: list[tuple[float, Layout]] = []
    for candidate in [separator] if separator else _SEPARATORS:
        rows = [_split(line, candidate) if line.strip() else [] for line in lines]
        widths = Counter(len(row) for row in rows if len(row) > 1)
        if not widths:
            continue
        width = max(widths, key=lambda w: (widths[w], w))
        data = next((i for i, row in enumerate(rows) if _is_data(rows, i, width)), None)
        if data is None:
            continue
        comma = decimal == "," or (not decimal and candidate != "," and _decimal_comma(rows[data:], width))
        names, units = _heads(rows, data, width)
        layout = Layout(candidate, comma, names, units, data, width)
        # the right separator splits most lines into most cells, and those into numbers
        agree = widths[width] / max(sum(1 for row in rows if row), 1)
        numbers = sum(_is_number(cell) for row in rows[data:] for cell in row[:width])
        found.append((agree * numbers / max(len(rows) - data, 1), layout))
    return max(found, key=lambda f: f[0])[1] if found else None


def _is_data(rows: list[list[str]], i: int, width: int) -> bool:
    here = [row for row in rows[i : i + 2] if len(row) in (width, width - 1, width + 1)]
    if len(rows[i]) not in (width, width - 1, width + 1) or len(here) < min(2, len(rows) - i):
        return False
    for row in here:
        filled = [cell for cell in row if cell.strip()]
        if not filled or sum(_is_number(cell) for cell in filled) < 0.5 * len(filled):
            return False
    return True


def _is_number(cell: str) -> bool:
    cell = cell.strip()
    return bool(_NUMBER.match(cell)) or (len(cell) > 3 and cell[0].isdigit() and bool(_CLOCK.match(cell)))


def _decimal_comma(rows: list[list[str]], width: int) -> bool:
    cells = [cell.strip() for row in rows for cell in row[:width]]
    return sum(bool(_COMMA_NUMBER.match(c)) for c in cells) > sum(bool(_POINT_NUMBER.match(c)) for c in cells)


def _heads(rows: list[list[str]], data: int, width: int) -> tuple[int, int]:
    """Return the rows of names and of units above the data."""
    above = [i for i in range(max(data - 4, 0), data) if len(rows[i]) >= max(width - 1, 1)]
    units = next((i for i in reversed(above) if _are_units(rows[i])), -1)
    names = [i for i in above if i != units and (units < 0 or i < units)]
    return (names[-1] if names else -1), (units if names else -1)


def _are_units(row: list[str]) -> bool:
    filled = [cell.strip(_BRACKETS) for cell in row if cell.strip(_BRACKETS)]
    known = [
        cell
        for cell in filled
        if known_unit(cell) or cell in ("bar", "rpm", "G", "g", "C", "°C", "V", "Nm", "kPa", "-")
    ]
    return len(filled) > 0 and len(known) >= 0.6 * len(filled)


def _cells(line: str, layout: Layout) -> list[str]:
    return [cell.strip() for cell in _split(line, layout.separator)]


def _split(line: str, separator: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=separator), [])
    except csv.Error:  # a carriage return or a NUL within a field, or a quote that is never closed
        return line.split(separator)


def _even(lines: list[str], layout: Layout) -> Iterator[str]:
    """Yield the lines padded or cut to the width of the table."""
    for line in lines:
        if '"' not in line and line.count(layout.separator) == layout.width - 1:
            yield line
        elif line.strip():
            cells = _split(line, layout.separator)[: layout.width]
            cells += [""] * (layout.width - len(cells))
            yield layout.separator.join('"' + cell.replace('"', '""') + '"' for cell in cells)


def _names(cells: list[str], width: int) -> list[str]:
    """Return one name per column; missing and duplicate ones get a number."""
    out: dict[str, None] = {}
    for i in range(width):
        name = printable(cells[i]) if i < len(cells) and cells[i] else f"column {i + 1}"
        while name in out:
            name = f"{name} #{i + 1}"
        out[name] = None
    return list(out)


def _decode(raw: bytes) -> str:
    for mark, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if raw.startswith(mark):
            return raw.decode(encoding, errors="replace").replace("\0", "")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return text.replace("\0", "")
