"""Parses loggers' date stamps (ISO 8601, or day or month first, then a time) to seconds since 1970."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from feeds.frame import Floats

_CLOCK: Final = (
    r"(?:[T ]+(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2}(?:[.,]\d+)?))?\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
    r"\s*(?:Z|UTC|[+-]\d{2}:?\d{2})?)?$"
)
"""Ignored: the zone is the same throughout a record."""
_YEAR_FIRST: Final = r"^(?P<year>\d{4})[-/.](?P<month>\d{1,2})[-/.](?P<day>\d{1,2})" + _CLOCK
_YEAR_LAST: Final = r"^(?P<first>\d{1,2})[-/.](?P<second_part>\d{1,2})[-/.](?P<year>\d{4}|\d{2})" + _CLOCK


def date_seconds(text: Any) -> Floats:
    """Return the seconds since 1970 of date stamps, shape (n,), NaN where there is none.

    ``text`` is an Arrow array of strings. With the year last the day comes first, unless the second number exceeds 12.
    """
    year, month, day, *clock = (_number(part) for part in matched(text, _YEAR_FIRST))
    if np.isfinite(year).any():
        return _since_1970(year, month, day, clock)
    first, second, year, *clock = (_number(part) for part in matched(text, _YEAR_LAST))
    year = np.where(year < 100, year + 2000, year)
    month_first = bool((second[np.isfinite(second)] > 12).any())
    day, month = (second, first) if month_first else (first, second)
    return _since_1970(year, month, day, clock)


def matched(text: Any, pattern: str) -> list[Any]:
    """Return what each named group of ``pattern`` (RE2) matched in an Arrow array of strings; null where it did not
    match.
    """
    found = pc.extract_regex(text, pattern)
    fields = found.type.num_fields
    return [pc.struct_field(found, i) for i in range(fields)]


def _number(part: Any) -> Floats:
    """Return a group's text as a number; am is 0 and pm 12; NaN where the group did not match."""
    plain = pc.replace_substring(pc.utf8_lower(part), ",", ".")
    half = pc.if_else(pc.starts_with(plain, "p"), "12", pc.if_else(pc.starts_with(plain, "a"), "0", plain))
    values: Floats = pc.if_else(pc.equal(half, ""), None, half).cast(pa.float64()).to_numpy(zero_copy_only=False)
    return np.array(values, dtype=np.float64)


def _since_1970(year: Floats, month: Floats, day: Floats, clock: list[Floats]) -> Floats:
    hour, minute, second, half = (np.nan_to_num(part) if k < 3 else part for k, part in enumerate(clock))
    hour = np.where(np.isfinite(half), hour % 12 + np.nan_to_num(half), hour)
    good = np.isfinite(year) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (hour < 24)
    whole = [np.where(good, part, 1).astype(np.int64) for part in (year, month, day)]
    months = (whole[0] - 1970) * 12 + whole[1] - 1
    days = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) + whole[2] - 1
    return np.where(good, days * 86_400.0 + hour * 3600 + minute * 60 + second, np.nan)
