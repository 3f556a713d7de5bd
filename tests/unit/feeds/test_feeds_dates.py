"""Date stamps of loggers, against the standard library's calendar."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from feeds.importers.dates import date_seconds

WAYS = {
    "%Y-%m-%dT%H:%M:%S.%fZ": True,
    "%Y-%m-%d %H:%M:%S,%f": True,
    "%Y/%m/%d %H:%M:%S.%f+02:00": True,
    "%d.%m.%Y %H:%M:%S.%f": True,
    "%d/%m/%Y %I:%M:%S.%f %p": True,
    "%d-%m-%y %H:%M:%S": False,
    "%Y-%m-%d %H:%M": False,
}


@pytest.mark.parametrize("way", WAYS)
@given(when=st.datetimes(datetime(2000, 1, 1), datetime(2068, 12, 31)))
def test_stamps_are_read(way: str, when: datetime) -> None:
    """Each way to write a date and time gives the calendar's seconds, to what it shows of them."""
    if not WAYS[way]:
        when = when.replace(microsecond=0, second=0 if "%S" not in way else when.second)
    # a second stamp whose day cannot be a month tells the order
    known = datetime(2020, 5, 25)
    text = pa.array([when.strftime(way), known.strftime(way)])
    expected = [(d - datetime(1970, 1, 1)).total_seconds() for d in (when, known)]
    assert expected == pytest.approx(date_seconds(text).tolist(), abs=1e-5)


def test_month_first_is_seen_and_day_first_is_the_rule() -> None:
    """A second number above 12 shows month first; without one the day is first (common practice, no source)."""
    may_25 = datetime(2026, 5, 25, tzinfo=UTC).timestamp()
    march_4 = datetime(2026, 3, 4, tzinfo=UTC).timestamp()
    assert [may_25] == date_seconds(pa.array(["5/25/2026"])).tolist()
    assert [march_4] == date_seconds(pa.array(["04/03/2026"])).tolist()


def test_what_is_no_date_is_none() -> None:
    """Words, numbers, months beyond twelve and nothing at all are NaN, never an exception."""
    text = pa.array(["lap 3", "12.5", "2026-13-01", "2026-05-40 10:00", "", "32/01/2026", None, "1:02.3"])
    assert np.isnan(date_seconds(text)).all()


def test_midnight_goes_on() -> None:
    """Stamps over midnight and a month's end grow by what the clock shows."""
    start = datetime(2026, 1, 31, 23, 59, 59, tzinfo=UTC)
    text = pa.array([(start + timedelta(seconds=0.5 * k)).strftime("%d.%m.%Y %H:%M:%S.%f") for k in range(5)])
    assert [0.5] * 4 == pytest.approx(np.diff(date_seconds(text)).tolist())
