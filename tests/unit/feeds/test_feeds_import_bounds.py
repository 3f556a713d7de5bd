"""Files that broke the import: each is refused in one line, at once, or read as far as it makes sense."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import asammdf
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from feeds.errors import FeedError, FeedFormatError
from feeds.importers import bounds
from feeds.importers.convert import read_table
from feeds.importers.in_child import ChildFailedError, call_in_child

ROWS = "".join(f"{i / 10:.1f},{50 + i},{i * 5}\n" for i in range(50))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("time,speed," + "x" * 140_000 + "\n" + ROWS, "in a line, found 140011"),
        ("time,speed,x\n" + '1,2,"' + "y" * 140_000 + '"\n' + ROWS, "in a line, found 1400"),
        (",".join(["v"] * 20_000) + "\n" + (",".join("1" * 20_000) + "\n") * 3, "columns, found 20000"),
    ],
)
def test_text_files_out_of_bounds(tmp_path: Path, text: str, expected: str) -> None:
    """A header or field over 128 kB, and 20,000 columns of one name, are refused with what was found."""
    file = tmp_path / "wide.csv"
    file.write_text(text)
    with pytest.raises(FeedFormatError, match=expected):
        read_table(file)


def test_a_file_too_large_is_refused_unread(tmp_path: Path) -> None:
    """The size is looked at before anything is read: a sparse file of 5 GB costs nothing."""
    file = tmp_path / "huge.csv"
    with file.open("wb") as out:
        out.truncate(5 * 2**30)
    with pytest.raises(FeedFormatError, match="expected at most 512 MB, found 5120 MB"):
        read_table(file)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are a matter of POSIX systems")
def test_devices_and_pipes_are_no_files(tmp_path: Path) -> None:
    """A pipe would wait for ever and a device never ends: neither is opened."""
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    with pytest.raises(FeedFormatError, match="a device, pipe or socket"):
        read_table(pipe)
    link = tmp_path / "zero.csv"
    link.symlink_to("/dev/zero")
    with pytest.raises(FeedFormatError, match="a device, pipe or socket"):
        read_table(link)


def test_parquet_of_odd_types(tmp_path: Path) -> None:
    """Nested, binary and decimal columns are left out; what can hold numbers is read."""
    file = tmp_path / "odd.parquet"
    t = np.arange(100) / 10
    columns = {
        "time": pa.array(t),
        "speed": pa.array(50 + t),
        "list": pa.array([[1.0]] * 100),
        "struct": pa.array([{"a": 1}] * 100),
        "binary": pa.array([b"\xff"] * 100),
        "decimal": pa.array([None] * 100, pa.decimal128(30, 2)),
        "nothing": pa.nulls(100),
        "when": pa.array(range(100), pa.timestamp("ns", "UTC")),
    }
    pq.write_table(pa.table(columns), file)
    assert ["time", "speed", "when"] == read_table(file).names


def test_parquet_too_large_when_decoded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A small file that decodes to more than the bound is refused from its footer."""
    file = tmp_path / "zeros.parquet"
    pq.write_table(pa.table({"time": np.zeros(50_000), "speed": np.zeros(50_000)}), file)
    monkeypatch.setattr(bounds, "MAX_VALUES", 90_000)
    with pytest.raises(FeedFormatError, match="found 50000 rows of 2 columns"):
        read_table(file)


GPX = """<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>
{}</trkseg></trk></gpx>"""


def gpx(*times: str) -> str:
    return GPX.format(
        "".join(f'<trkpt lat="50.{i}" lon="8.0"><time>{time}</time></trkpt>' for i, time in enumerate(times))
    )


def test_gpx_with_mixed_zones(tmp_path: Path) -> None:
    """Points with and without a zone are of one clock: no zone is UTC (GPX 1.1)."""
    file = tmp_path / "mixed.gpx"
    file.write_text(gpx("2026-05-01T10:00:00Z", "2026-05-01T10:00:01", "2026-05-01T12:00:02+02:00"))
    assert [0.0, 1.0, 2.0] == read_table(file).numbers("time").tolist()


@pytest.mark.parametrize(
    "time", ["2026-05-01T10:00:00+99:99", "0001-01-01T00:00:00+23:00", "9999-12-31T23:59:59-23:00"]
)
def test_gpx_with_absurd_times(tmp_path: Path, time: str) -> None:
    """A zone or a year that can not be is read or refused in one line, never a traceback."""
    file = tmp_path / "absurd.gpx"
    file.write_text(gpx("2026-05-01T10:00:00Z", time))
    try:
        read_table(file)
    except FeedError as error:
        assert str(error).startswith(str(file))  # noqa: PT017  (both outcomes are right)


def measurement(path: Path, starts: tuple[float, ...] = (0.0, 0.0)) -> None:
    with asammdf.MDF() as log:
        for k, start in enumerate(starts):
            t = start + np.arange(200) * 0.05
            log.append([asammdf.Signal(np.sin(t), t, name=f"c{k}", unit="m/s")])
        log.save(path, overwrite=True)


def test_damaged_measurement_files(tmp_path: Path) -> None:
    """Whatever byte is damaged, the file is read or refused in one line."""
    file = tmp_path / "whole.mf4"
    measurement(file)
    whole = file.read_bytes()
    rng = np.random.default_rng(4)
    for k in range(8):
        data = bytearray(whole)
        for at in rng.integers(64, len(whole), 1 + k % 6):
            data[at] = int(rng.integers(256))
        (tmp_path / f"{k}.mf4").write_bytes(bytes(data[: len(data) - 400 * (k % 3)]))
        try:
            read_table(tmp_path / f"{k}.mf4")
        except FeedError as error:
            assert str(tmp_path) in str(error)  # noqa: PT017  (both outcomes are right)


def test_groups_far_apart_are_estimated_first(tmp_path: Path) -> None:
    """Groups most of a day apart would need millions of rows: refused before they are laid out."""
    file = tmp_path / "apart.mf4"
    measurement(file, (0.0, 80_000.0, 80_000.0, 80_000.0, 80_000.0))
    with pytest.raises(FeedFormatError, match="expected at most 40 million values"):
        read_table(file)
    measurement(file, (0.0, 90_000.0))
    with pytest.raises(FeedFormatError, match="at most a day"):
        read_table(file)


def _sleep(seconds: float) -> None:
    time.sleep(seconds)


def _take(count: int) -> int:
    return len(bytearray(count))


def _end(code: int) -> None:
    os._exit(code)


def test_a_parser_that_hangs_grows_or_dies_is_ended() -> None:
    """The limits of the process that parses hold: time, memory, and its own end, each with one line."""
    with pytest.raises(ChildFailedError, match=r"not read within 0\.01 s"):
        call_in_child(_sleep, 60.0, seconds=0.01)
    with pytest.raises(ChildFailedError, match="ended the process"):
        call_in_child(_end, 3)
    if sys.platform == "linux":
        with pytest.raises(ChildFailedError, match="more than 256 MB"):
            call_in_child(_take, 2**30, memory=2**28)
    assert 1000 == call_in_child(_take, 1000)


def test_names_can_not_steer_a_terminal(tmp_path: Path) -> None:
    """Control characters of a file's column names are shown as escapes."""
    file = tmp_path / "colours.csv"
    file.write_text("time,\x1b[31mspeed\x07,x\n" + ROWS)
    assert ["time", "\\x1b[31mspeed\\x07", "x"] == read_table(file).names
