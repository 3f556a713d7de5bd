"""Maps columns of a file to fields of the frame: written by hand, or guessed and then edited."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal

import msgspec
import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from feeds.errors import FeedOpenError
from feeds.frame import has_place
from feeds.importers.table import Table
from feeds.importers.words import VOCABULARY, likeness
from feeds.units import UNITS, plain_unit
from feeds.yaml_marks import read_checked


class NotTaken(msgspec.Struct, frozen=True):
    """A column and the reason."""

    column: str
    why: str


def not_taken(table: Table, taken: Mapping[str, str], by_map: bool = False) -> list[NotTaken]:
    """Return all columns but the ``taken`` ones (field -> column), in the order of the file."""
    used = set(taken.values())
    return [NotTaken(name, _why(table, name, taken, by_map)) for name in table.names if name not in used]


def _why(table: Table, name: str, taken: Mapping[str, str], by_map: bool) -> str:
    values = table.numbers(name)
    good = values[np.isfinite(values)]
    if not len(good):
        return "empty" if not table.filled(name) else "text, expected numbers"
    if by_map:
        return "not in the column map"
    if float(np.ptp(good)) == 0.0:
        return f"always {good[0]:g}"
    named = max(((likeness(table.bare_name(name), field)[0], field) for field in VOCABULARY), default=(0.0, ""))
    if named[0] > 0.3:
        field = named[1]
        if field in taken:
            return f"{field} is taken from {taken[field]!r}"
        return f"named like {field}, but its values ({good.min():.4g} to {good.max():.4g}) or its unit are not"
    return "no use for it: neither its name nor its values are those of a field"


Number = Annotated[float, Field(allow_inf_nan=False)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ColumnChoice(_Strict):
    """A column and its conversion to SI: ``(value * scale + shift)`` in ``unit``.

    ``of_largest``: a share of the largest value in the file, for a pressure or a force.
    """

    column: Annotated[str, Field(min_length=1)]
    unit: Annotated[str, AfterValidator(plain_unit)] = ""
    scale: Number = 1.0
    shift: Number = 0.0
    of_largest: bool = False


class StartLine(_Strict):
    """Position of the line, in the plane or in degrees, and the heading across it [degrees from north, clockwise]."""

    x_m: Number | None = None
    y_m: Number | None = None
    lat_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    lon_deg: Annotated[float, Field(ge=-180, le=180)] | None = None
    heading_deg: Number

    @model_validator(mode="after")
    def _one_place(self) -> StartLine:
        flat = self.x_m is not None and self.y_m is not None
        earth = self.lat_deg is not None and self.lon_deg is not None
        if flat == earth:
            raise ValueError("expected either x_m and y_m, or lat_deg and lon_deg; found both or neither")
        return self


class ColumnMap(_Strict):
    """``columns`` field -> choice. ``laps``: cut by a column, by distance resets, at a line, or not at all."""

    columns: dict[str, ColumnChoice] = Field(min_length=1)
    laps: Literal["guess", "column", "distance", "line", "none"] = "guess"
    line: StartLine | None = None
    separator: Annotated[str, Field(max_length=1)] = ""
    decimal: Literal["", ".", ","] = ""

    @model_validator(mode="after")
    def _agrees(self) -> ColumnMap:
        for field, choice in self.columns.items():
            if field not in UNITS:
                raise ValueError(f"expected one of {', '.join(UNITS)}; found {field!r}")
            if choice.unit and choice.unit not in UNITS[field]:
                raise ValueError(f"unit of {field}: expected one of {', '.join(UNITS[field])}; found {choice.unit!r}")
        if "t_s" not in self.columns:
            raise ValueError("expected a column for t_s, the time; found none")
        if not has_place(self.columns):
            raise ValueError(
                "expected columns for the place (x_m and y_m, lat_deg and lon_deg, or a lap distance), found none"
            )
        return self


def read_column_map(path: Path) -> ColumnMap:
    """Return the map in a YAML file; raise FeedError with file, line, field, what was found and what is allowed."""
    return read_checked(path, ColumnMap)


def write_column_map(path: Path, column_map: ColumnMap, reasons: Mapping[str, str] | None = None) -> None:
    """Write a map for editing, each column with the reason for its choice. Raise FeedOpenError on failure."""
    lines = _columns(column_map.columns, reasons or {})
    rest = column_map.model_dump(exclude_defaults=True, exclude={"columns", "line"}, exclude_none=True)
    lines += [f"{key}: {_scalar(value)}" for key, value in rest.items()]
    if column_map.line is not None:
        line = column_map.line.model_dump(exclude_none=True)
        lines += ["line:", *(f"  {key}: {_scalar(value)}" for key, value in line.items())]
    _write(path, lines)


def write_draft(
    path: Path, columns: Mapping[str, ColumnChoice], reasons: Mapping[str, str], names: Sequence[str]
) -> None:
    """Write an incomplete map with a gap for each required field that was not found.

    ``names`` are the columns of the file. Reading the draft fails at its gap until that is filled. Raise FeedOpenError
    on failure.
    """
    lines = _columns(columns, reasons)
    for wanted, what in ((() if "t_s" in columns else ("t_s",), "the time"),
                         (() if has_place(columns) else ("x_m", "y_m"), "the place: or lat_deg and lon_deg instead, "
                          "or lap_distance_m alone")):  # fmt: skip
        if wanted:
            lines.append(f"  # FILL IN {what}. Columns of the file: {', '.join(map(_scalar, names))}")
            lines += [line for field in wanted for line in (f"  {field}:", '    column: ""')]
    _write(path, lines)


def _columns(columns: Mapping[str, ColumnChoice], reasons: Mapping[str, str]) -> list[str]:
    lines = ["# Which column of the file is which field. Units allowed per field:"]
    lines += [f"#   {field}: {', '.join(UNITS[field])}" for field in columns if len(UNITS[field]) > 1]
    lines.append("columns:")
    for field, choice in columns.items():
        lines.append(f"  {field}:" + (f"   # {' '.join(reasons[field].split())}" if field in reasons else ""))
        values = choice.model_dump(exclude_defaults=True) | {"column": choice.column}
        lines += [f"    {key}: {_scalar(value)}" for key, value in values.items()]
    return lines


def _write(path: Path, lines: list[str]) -> None:
    try:
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    except OSError as error:
        raise FeedOpenError(f"{path}: cannot be written ({error.strerror})") from error


def _scalar(value: object) -> str:
    """Return a YAML scalar on one line; JSON strings are YAML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else ".nan"
    if isinstance(value, int):
        return str(value)
    return json.dumps(str(value), ensure_ascii=False)
