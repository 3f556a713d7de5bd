"""A logged file as named columns, whichever format it came in; a column is turned into numbers when it is asked for."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import polars as pl

from feeds.frame import Floats

Progress = Callable[[float, str], None]
"""Called with the share that is done, 0..1, and what is being done."""

_WORDS: Final = {
    "true": 1.0, "yes": 1.0, "on": 1.0, "active": 1.0,
    "false": 0.0, "no": 0.0, "off": 0.0, "inactive": 0.0,
    "n": 0.0, "neutral": 0.0, "r": -1.0, "reverse": -1.0,
}  # fmt: skip
_UNIT: Final = re.compile(r"[\[(<]\s*([^\])>]*?)\s*[\])>]\s*$")
_CLOCK: Final = r"^\s*(?:(\d+):)?(\d+):(\d+(?:[.,]\d+)?)\s*$"
_MOST_NUMBERS: Final = 0.5
_DATES: Final = ("%Y-%m-%d", "%d-%m-%Y", "%m-%d-%Y", "%d-%m-%y")
_CLOCKS: Final = ("%H:%M:%S%.f", "%I:%M:%S%.f %p")


class Table:
    """``units`` as the file writes them, "" where it does not. ``note`` says how the file was read."""

    def __init__(
        self, frame: pl.DataFrame, units: Mapping[str, str], *, decimal_comma: bool = False, note: str = ""
    ) -> None:
        self.frame = frame
        self.note = note
        self.decimal_comma = decimal_comma
        self._units = dict(units)
        self._numbers: dict[str, Floats] = {}

    @property
    def names(self) -> list[str]:
        """The columns in the order of the file."""
        return self.frame.columns

    def __len__(self) -> int:
        return self.frame.height

    def unit(self, name: str) -> str:
        """The unit of a column: from the file, else from brackets behind its name."""
        found = self._units.get(name, "")
        match = _UNIT.search(name)
        return found or (match[1] if match else "")

    def bare_name(self, name: str) -> str:
        """The name without the unit in brackets behind it."""
        return _UNIT.sub("", name).strip()

    def filled(self, name: str) -> bool:
        """Whether a column holds anything at all."""
        column = self.frame[name].drop_nulls()
        return bool((column.str.strip_chars() != "").any()) if column.dtype == pl.String else len(column) > 0

    def numbers(self, name: str) -> Floats:
        """Column ``name`` as float64 of shape (n,), NaN where it holds no number. KeyError without such a column."""
        if name not in self._numbers:
            if name not in self.frame.columns:
                raise KeyError(name)
            self._numbers[name] = _numbers(self.frame[name], self.decimal_comma)
        return self._numbers[name]


def _numbers(column: pl.Series, decimal_comma: bool) -> Floats:
    if column.dtype == pl.Boolean:
        column = column.cast(pl.Float64)
    if column.dtype.is_numeric():
        return _floats(column)
    if column.dtype.is_temporal():
        return _seconds(column)
    if column.dtype != pl.String:
        return np.full(len(column), np.nan)
    text = column.str.strip_chars()
    filled = int((text.fill_null("") != "").sum())
    plain = text.str.replace(",", ".", literal=True) if decimal_comma else text
    found = _floats(plain.cast(pl.Float64, strict=False))
    if np.isfinite(found).sum() >= _MOST_NUMBERS * filled:
        # gears and flags mix words with numbers
        words = text.str.to_lowercase().replace_strict(_WORDS, default=None, return_dtype=pl.Float64)
        return np.where(np.isfinite(found), found, _floats(words))
    for attempt in (_clock, _dates, _words):
        values = attempt(text)
        if np.isfinite(values).sum() >= _MOST_NUMBERS * filled > 0:
            return values
    return found


def _floats(column: pl.Series) -> Floats:
    return column.cast(pl.Float64, strict=False).fill_null(np.nan).to_numpy().astype(np.float64)


def _words(text: pl.Series) -> Floats:
    return _floats(text.str.to_lowercase().replace_strict(_WORDS, default=None, return_dtype=pl.Float64))


def _clock(text: pl.Series) -> Floats:
    """Times such as 1:02:03.5 or 02:03.5, in seconds."""
    parts = text.str.extract_groups(_CLOCK).struct.unnest()
    hours, minutes, seconds = (
        _floats(parts.to_series(i).str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)) for i in range(3)
    )
    return np.nan_to_num(hours) * 3600 + minutes * 60 + seconds


def _dates(text: pl.Series) -> Floats:
    """Dates with times, in seconds since 1970: ISO 8601 (with or without T, zone and decimals), or a local stamp.

    Of local stamps the way of writing is taken that reads most rows, the day before the month where both would do.
    """
    flat = text.str.replace("T", " ", literal=True).str.replace(",", ".", literal=True)
    # the zone is the same all through a record
    flat = flat.str.replace(r"(Z|[+-]\d\d:?\d\d)$", "").str.strip_chars()
    flat = flat.str.replace(r"^(\d+)[./](\d+)[./](\d+),? +", "${1}-${2}-${3} ")
    best = np.full(len(text), np.nan)
    for date in _DATES:
        for clock in _CLOCKS:
            found = _seconds(flat.str.to_datetime(f"{date} {clock}", time_unit="us", strict=False))
            if np.isfinite(found).sum() > np.isfinite(best).sum():
                best = found
        if np.isfinite(best).all():
            break
    return best


def _seconds(column: pl.Series) -> Floats:
    if column.dtype == pl.Date:
        column = column.cast(pl.Datetime("us"))
    if column.dtype == pl.Time:
        return _floats(column.cast(pl.Int64)) * 1e-9
    if isinstance(column.dtype, pl.Datetime):
        return _floats(column.dt.cast_time_unit("us").cast(pl.Int64)) * 1e-6
    if isinstance(column.dtype, pl.Duration):
        return _floats(column.dt.total_microseconds()) * 1e-6
    return np.full(len(column), np.nan)
