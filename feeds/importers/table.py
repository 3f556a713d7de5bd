"""A logged file as named columns, whichever format it came in; columns are parsed to numbers on demand."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from feeds.frame import Floats
from feeds.importers.dates import date_seconds, matched

Progress = Callable[[float, str], None]
"""Called with the share done, 0..1, and the current step."""

_WORDS: Final = {
    "true": 1.0, "yes": 1.0, "on": 1.0, "active": 1.0,
    "false": 0.0, "no": 0.0, "off": 0.0, "inactive": 0.0,
    "n": 0.0, "neutral": 0.0, "r": -1.0, "reverse": -1.0,
}  # fmt: skip
_UNIT: Final = re.compile(r"[\[(<]\s*([^\])>]*?)\s*[\])>]\s*$")
_CLOCK: Final = r"^(?:(?P<hours>\d+):)?(?P<minutes>\d+):(?P<seconds>\d+(?:[.,]\d+)?)$"
_NUMBER: Final = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_MOST_NUMBERS: Final = 0.5


class Table:
    """``units`` as written in the file, "" if absent. ``note`` says how the file was read."""

    def __init__(
        self, frame: pa.Table, units: Mapping[str, str], *, decimal_comma: bool = False, note: str = ""
    ) -> None:
        self.frame = frame
        self.note = note
        self.decimal_comma = decimal_comma
        self._units = dict(units)
        self._numbers: dict[str, Floats] = {}

    @property
    def names(self) -> list[str]:
        """The columns in the order of the file."""
        return list(self.frame.column_names)

    def __len__(self) -> int:
        return int(self.frame.num_rows)

    def unit(self, name: str) -> str:
        """Return the unit of a column: from the file, else from the brackets after its name."""
        found = self._units.get(name, "")
        match = _UNIT.search(name)
        return found or (match[1] if match else "")

    def bare_name(self, name: str) -> str:
        """Return the name without the unit in brackets after it."""
        return _UNIT.sub("", name).strip()

    def head(self, rows: int) -> Table:
        """Return the first ``rows`` rows."""
        return Table(self.frame.slice(0, rows), self._units, decimal_comma=self.decimal_comma)

    def filled(self, name: str) -> bool:
        """Return whether a column holds any value."""
        column = self.frame[name]
        if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
            return bool(len(column) > column.null_count)
        text = pc.utf8_trim_whitespace(pc.fill_null(column.cast(pa.string()), ""))
        return any(text.unique().to_pylist())

    def numbers(self, name: str) -> Floats:
        """Return column ``name`` as float64 of shape (n,), NaN where it holds no number. Raise KeyError if there is no
        such column.
        """
        if name not in self._numbers:
            if name not in self.frame.column_names:
                raise KeyError(name)
            self._numbers[name] = _numbers(self.frame[name], self.decimal_comma)
        return self._numbers[name]


def _numbers(column: Any, decimal_comma: bool) -> Floats:
    kind = column.type
    if pa.types.is_boolean(kind) or pa.types.is_integer(kind) or pa.types.is_floating(kind):
        return _floats(column)
    if pa.types.is_temporal(kind):
        return _seconds(column)
    if not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
        return np.full(len(column), np.nan)
    text = pc.utf8_trim_whitespace(pc.fill_null(column.cast(pa.string()), ""))
    filled = int(pc.sum(pc.not_equal(text, "")).as_py() or 0)
    found = _parsed(pc.replace_substring(text, ",", ".") if decimal_comma else text)
    if np.isfinite(found).sum() >= _MOST_NUMBERS * filled:
        # gears and flags mix words with numbers
        return np.where(np.isfinite(found), found, _words(text))
    for attempt in (_clock, date_seconds, _words):
        values = attempt(text)
        if np.isfinite(values).sum() >= _MOST_NUMBERS * filled > 0:
            return values
    return found


def _floats(column: Any) -> Floats:
    values: Floats = column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
    return np.array(values, dtype=np.float64)


def _parsed(text: Any) -> Floats:
    """Return numbers parsed from text; NaN where it is not a number."""
    return _floats(pc.if_else(pc.match_substring_regex(text, _NUMBER), text, None))


def _words(text: Any) -> Floats:
    at = pc.index_in(pc.utf8_lower(text), value_set=pa.array(list(_WORDS)))
    return _floats(pc.take(pa.array(list(_WORDS.values())), at))


def _clock(text: Any) -> Floats:
    """Return times such as 1:02:03.5 or 02:03.5, in seconds."""
    hours, minutes, seconds = (
        _parsed(pc.replace_substring(pc.fill_null(part, ""), ",", ".")) for part in matched(text, _CLOCK)
    )
    return np.nan_to_num(hours) * 3600 + minutes * 60 + seconds


def _seconds(column: Any) -> Floats:
    kind = column.type
    if pa.types.is_date(kind) or pa.types.is_timestamp(kind):
        return _floats(column.cast(pa.timestamp("us"), safe=False).cast(pa.int64())) * 1e-6
    if pa.types.is_time(kind):
        return _floats(column.cast(pa.time64("ns")).cast(pa.int64())) * 1e-9
    if pa.types.is_duration(kind):
        return _floats(column.cast(pa.duration("us"), safe=False).cast(pa.int64())) * 1e-6
    return np.full(len(column), np.nan)
