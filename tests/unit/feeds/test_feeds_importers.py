from __future__ import annotations

import datetime
import math
import random
from collections.abc import Callable
from pathlib import Path

import asammdf
import gpxpy.gpx
import numpy as np
import pytest
from feeds_loop import Loop
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from pyproj import Transformer

from feeds.errors import FeedError, FeedFormatError, FeedOpenError
from feeds.frame import CHANNELS, Frame, rows_of
from feeds.importers.column_map import ColumnChoice, ColumnMap, StartLine, read_column_map, write_column_map
from feeds.importers.convert import Imported, convert, export, read_table
from feeds.importers.csv_file import find_layout
from feeds.importers.guess import guess_columns, map_of, missing
from feeds.importers.laps import FinishLine, crossings, find_line
from feeds.importers.words import likeness, unit_behind, words_of

LOOP = Loop()
FRAMES = LOOP.frames(3.2, 20.0, start_m=2500.0)
AT = {name: i for i, name in enumerate(CHANNELS)}
EARTH = Transformer.from_pipeline(
    "+proj=pipeline +step +inv +proj=topocentric +ellps=WGS84 +lon_0=8 +lat_0=50 +h_0=0 "
    "+step +inv +proj=cart +ellps=WGS84 +step +proj=unitconvert +xy_in=rad +xy_out=deg"
)
Columns = dict[str, Callable[[Frame], object]]
PLAIN: Columns = {
    "Time [s]": lambda f: f"{f.t_s:.3f}",
    "Lap": lambda f: f.lap,
    "Distance [m]": lambda f: f"{f.lap_distance_m:.2f}",
    "Speed (km/h)": lambda f: f"{f.speed_mps * 3.6:.3f}",
    "Throttle %": lambda f: f"{f.throttle * 100:.1f}",
    "Brake %": lambda f: f"{f.brake * 100:.1f}",
    "pos x": lambda f: f"{f.x_m:.3f}",
    "pos y": lambda f: f"{f.y_m:.3f}",
    "Gear": lambda f: f.gear,
    "Steering Angle [deg]": lambda f: f"{math.degrees(f.steer):.2f}",
}


def text_of(columns: Columns, frames: list[Frame] = FRAMES, separator: str = ",", decimal: str = ".") -> str:
    lines = [separator.join(columns)]
    for frame in frames:
        cells = [str(value(frame)) for value in columns.values()]
        lines.append(separator.join(c.replace(".", decimal) for c in cells))
    return "\n".join(lines) + "\n"


def imported(path: Path) -> Imported:
    table = read_table(path)
    guesses = guess_columns(table)
    assert missing(guesses) == []
    return convert(table, map_of(guesses), str(path))


def file_of(folder: Path, columns: Columns) -> Path:
    """FRAMES written to a table with ``columns``."""
    path = folder / "log.csv"
    path.write_text(text_of(columns))
    return path


def check(got: Imported, fields: dict[str, float], frames: list[Frame] = FRAMES) -> None:
    """The fields agree with the frames within the tolerances given."""
    true = rows_of(frames)
    assert true.shape[1] == got.data.shape[1]
    for field, within in fields.items():
        expected, actual = true[AT[field]], got.data[AT[field]]
        if field == "t_s":
            expected = expected - expected[0]
        assert float(np.nanmax(np.abs(expected - actual))) <= within, field


ALL = {
    "t_s": 1e-9, "lap": 0, "lap_distance_m": 0.01, "speed_mps": 0.001, "throttle": 0.001, "brake": 0.001,
    "x_m": 0.001, "y_m": 0.001, "gear": 0, "steer": 0.001,
}  # fmt: skip


@pytest.mark.parametrize(
    ("separator", "decimal", "encoding", "ahead", "shuffle"),
    [
        (",", ".", "utf-8", "", 0),
        (";", ",", "utf-8-sig", "", 1),
        ("\t", ".", "utf-16", "", 2),
        ("|", ",", "latin-1", "Träger: Ährenfeld\n\n", 3),
        (",", ".", "utf-8", '"Made by","a logger"\n"Date","2026-05-01"\n\n', 4),
    ],
)
def test_text_files_of_many_kinds(
    tmp_path: Path, separator: str, decimal: str, encoding: str, ahead: str, shuffle: int
) -> None:
    """Any separator, decimal sign, encoding, preamble and order of columns: the same session comes out."""
    names = list(PLAIN)
    random.Random(shuffle).shuffle(names)
    columns = {name: PLAIN[name] for name in names}
    path = tmp_path / "log.csv"
    path.write_bytes((ahead + text_of(columns, separator=separator, decimal=decimal)).encode(encoding))
    got = imported(path)
    check(got, ALL)
    assert got.inferred == ()
    assert "laps cut by the lap column" in got.notes
    complete = [lap.time_s for lap in got.laps if lap.complete]
    assert len(complete) == 3
    assert [LOOP.lap_time_s] * 3 == pytest.approx(complete, abs=0.051)  # a lap column is exact to a sample


def test_units_row_quotes_and_junk(tmp_path: Path) -> None:
    """A row of units below the names, quoted cells, a thousand columns nobody asked for, empty cells, repeated rows."""
    junk = [f"Wheel Speed {i}" if i % 3 else f"Lap Time {i}" for i in range(1000)]
    frames = FRAMES[:300]
    head = ["Elapsed", "Ground Speed", "X Position", "Y Position", "Accelerator Pedal", "Brake Pressure", *junk]
    units = ["ms", "mph", "ft", "ft", "%", "bar", *["-"] * 1000]
    lines = [",".join(f'"{h}"' for h in head), ",".join(f'"{u}"' for u in units)]
    for i, f in enumerate(frames):
        cells = [f.t_s * 1000, f.speed_mps / 0.44704, f.x_m / 0.3048, f.y_m / 0.3048, f.throttle * 100, f.brake * 80]
        line = ",".join([*(f'"{c:.4f}"' for c in cells), *["" if i % 2 else "0"] * 1000])
        lines += [line] * (2 if i % 50 == 0 else 1)
    path = tmp_path / "wide.csv"
    path.write_text("\r\n".join(lines))
    got = imported(path)
    check(got, {"t_s": 1e-6, "speed_mps": 0.001, "x_m": 0.001, "y_m": 0.001, "throttle": 0.001}, frames)
    true = np.array([f.brake for f in frames])
    assert np.corrcoef(true, got.data[AT["brake"]])[0, 1] > 0.999
    assert "6 rows of a time that was there already were left out" in got.notes


@pytest.mark.parametrize(
    ("unit", "factor"), [("m/s", 1.0), ("km/h", 3.6), ("mph", 1 / 0.44704), ("kn", 3600 / 1852), ("ft/s", 1 / 0.3048)]
)
def test_the_unit_of_speed_is_told_by_the_motion(tmp_path: Path, unit: str, factor: float) -> None:
    """Without a unit, the way the car went tells which one its speed has."""
    columns = PLAIN | {"Speed": lambda f: f"{f.speed_mps * factor:.3f}"}
    del columns["Speed (km/h)"]
    path = file_of(tmp_path, columns)
    check(imported(path), {"speed_mps": 0.001})
    reasons = {g.field: g.reason for g in guess_columns(read_table(path))}
    assert f"in {unit}" in reasons["speed_mps"]


@pytest.mark.parametrize(("unit", "factor"), [("km/h", 3.6), ("mph", 1 / 0.44704), ("kn", 3600 / 1852)])
def test_a_noisy_position_tells_the_unit_of_speed(tmp_path: Path, unit: str, factor: float) -> None:
    """0.3 m of noise makes the way from row to row longer than it was, yet the unit of the speed is the right one."""
    noise = iter(np.random.default_rng(5).normal(scale=0.3, size=(2 * len(FRAMES))).tolist())
    columns: Columns = {
        "Time": lambda f: f"{f.t_s:.3f}",
        "X": lambda f: f"{f.x_m + next(noise):.3f}",
        "Y": lambda f: f"{f.y_m + next(noise):.3f}",
        "Speed": lambda f: f"{f.speed_mps * factor:.3f}",
    }
    path = file_of(tmp_path, columns)
    assert unit == {g.field: g.unit for g in guess_columns(read_table(path))}["speed_mps"]


def test_a_unit_at_the_end_of_a_name_is_taken(tmp_path: Path) -> None:
    """speed_kn is in knots, speed_km_h in km/h, time_ms in ms, a brake in bar a share of its largest."""
    columns: Columns = {
        "time_ms": lambda f: f"{f.t_s * 1000:.0f}",
        "pos_x_ft": lambda f: f"{f.x_m / 0.3048:.3f}",
        "pos_y_ft": lambda f: f"{f.y_m / 0.3048:.3f}",
        "speed_kn": lambda f: f"{f.speed_mps * 3600 / 1852:.3f}",
        "brake_pressure_bar": lambda f: f"{f.brake * 80:.2f}",
    }
    path = file_of(tmp_path, columns)
    found = {g.field: g for g in guess_columns(read_table(path))}
    assert {"t_s": "ms", "x_m": "ft", "y_m": "ft", "speed_mps": "kn", "brake": ""} == {
        field: guess.unit for field, guess in found.items()
    }
    assert found["brake"].choice.of_largest
    assert "km/h" == unit_behind("speed_km_h", SPEEDS)
    assert "" == unit_behind("kmh", SPEEDS)
    assert "" == unit_behind("distance_in", LENGTHS)


LENGTHS = {"m": 1.0, "km": 1000.0, "ft": 0.3048, "mi": 1609.344}
SPEEDS = {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 0.44704, "kn": 1852 / 3600}


@pytest.mark.parametrize(
    ("length", "length_name", "speed", "speed_name"),
    [
        ("m", "Distance", "m/s", "Speed"),
        ("m", "Distance", "km/h", "Speed"),
        ("m", "Distance", "mph", "Speed"),
        ("ft", "Distance", "mph", "Speed"),
        ("km", "Distance", "km/h", "Speed"),
        ("ft", "Distance [ft]", "km/h", "Speed"),
        ("mi", "Distance [mi]", "mph", "Speed"),
        ("m", "Distance [m]", "kn", "Speed"),
        ("ft", "Distance", "m/s", "Speed [m/s]"),
        ("mi", "Distance", "km/h", "Speed [km/h]"),
    ],
)
def test_units_of_distance_and_speed_go_together(
    tmp_path: Path, length: str, length_name: str, speed: str, speed_name: str
) -> None:
    """Without a position, the lap distance tells the unit of the speed and the speed that of the distance."""
    columns: Columns = {
        "Time [s]": lambda f: f"{f.t_s:.3f}",
        length_name: lambda f: f"{(f.lap_distance_m or 0.0) / LENGTHS[length]:.6f}",
        speed_name: lambda f: f"{f.speed_mps / SPEEDS[speed]:.4f}",
    }
    path = file_of(tmp_path, columns)
    found = {g.field: g.unit for g in guess_columns(read_table(path))}
    assert (length, speed) == (found["lap_distance_m"], found["speed_mps"])
    check(imported(path), {"speed_mps": 0.001})


@pytest.mark.parametrize("length", list(LENGTHS))
def test_the_position_tells_the_unit_of_the_lap_distance(tmp_path: Path, length: str) -> None:
    """A lap distance without a unit is measured by the way the car went."""
    columns = PLAIN | {"Distance": lambda f: f"{(f.lap_distance_m or 0.0) / LENGTHS[length]:.6f}"}
    del columns["Distance [m]"]
    path = file_of(tmp_path, columns)
    assert length == {g.field: g.unit for g in guess_columns(read_table(path))}["lap_distance_m"]
    check(imported(path), {"lap_distance_m": 0.02})


def earth(f: Frame) -> tuple[float, float]:
    lon, lat, _ = EARTH.transform(f.x_m, f.y_m, -(f.x_m**2 + f.y_m**2) / 2 / 6.378e6)
    return lat, lon


def test_dates_and_latitude_without_laps(tmp_path: Path) -> None:
    """ISO dates, latitude and longitude, no speed, pedals or laps: all of it is worked out and said."""
    start = datetime.datetime(2026, 5, 1, 23, 59, 30)
    columns: Columns = {
        "timestamp": lambda f: (start + datetime.timedelta(seconds=f.t_s)).isoformat(timespec="microseconds") + "Z",
        "Longitude": lambda f: f"{earth(f)[1]:.9f}",
        "Latitude": lambda f: f"{earth(f)[0]:.9f}",
        "Lat Accel [g]": lambda f: "0.1",
    }
    path = tmp_path / "log.txt"
    path.write_text(text_of(columns))
    got = imported(path)
    check(got, {"t_s": 1e-5})
    assert ("speed_mps", "throttle", "brake") == got.inferred
    true, speed = np.array([f.speed_mps for f in FRAMES]), got.data[AT["speed_mps"]]
    assert np.sqrt(np.mean((true - speed) ** 2)) < 0.2
    complete = [lap.time_s for lap in got.laps if lap.complete]
    assert len(complete) >= 2
    assert [LOOP.lap_time_s] * len(complete) == pytest.approx(complete, abs=0.005)
    assert any("a line found from the path" in n for n in got.notes)
    assert (50.0, 8.0) == pytest.approx(got.origin, abs=0.01)


def test_laps_by_distance_and_by_a_given_line(tmp_path: Path) -> None:
    """Without a lap column the fall of the distance cuts; a line that is given cuts to a fraction of a sample."""
    columns = {k: v for k, v in PLAIN.items() if k != "Lap"}
    path = file_of(tmp_path, columns)
    got = imported(path)
    assert "laps cut where the lap distance restarts" in got.notes
    assert 3 == sum(lap.complete for lap in got.laps)
    table = read_table(path)
    guessed = map_of(guess_columns(table))
    heading = 90.0 - math.degrees(math.atan2(LOOP.y[3] - LOOP.y[0], LOOP.x[3] - LOOP.x[0]))
    line = StartLine(x_m=float(LOOP.x[0]), y_m=float(LOOP.y[0]), heading_deg=heading)
    got = convert(table, guessed.model_copy(update={"laps": "line", "line": line}))
    assert [LOOP.lap_time_s] * 3 == pytest.approx([lap.time_s for lap in got.laps if lap.complete], abs=0.002)


def test_time_and_distance_that_begin_anew_or_never(tmp_path: Path) -> None:
    """A time that restarts each lap goes on; a distance over the whole record is counted from each lap."""
    starts = {f.lap: f.t_s for f in reversed(FRAMES)}
    columns = PLAIN | {
        "Time [s]": lambda f: f"{f.t_s - starts[f.lap]:.3f}",
        "Distance [m]": lambda f: f"{f.lap_distance_m + (f.lap or 0) * LOOP.length_m:.2f}",
    }
    path = file_of(tmp_path, columns)
    got = imported(path)
    assert FRAMES[-1].t_s - FRAMES[0].t_s == pytest.approx(got.data[0, -1], abs=0.2)
    assert np.nanmax(got.data[AT["lap_distance_m"]]) < LOOP.length_m + 10
    assert any("restarts 4 times" in n for n in got.notes)


def test_gaps_wild_values_and_order(tmp_path: Path) -> None:
    """Rows out of order are sorted, gaps are said, wild values do not get through."""
    lines = text_of(PLAIN).splitlines()
    body = lines[1:100] + lines[160:]
    body[20], body[40] = body[40], body[20]
    wild = body[60].split(",")
    wild[6] = "1e9"
    body[60] = ",".join(wild)
    wild = body[70].split(",")
    wild[3] = "99999"
    body[70] = ",".join(wild)
    path = tmp_path / "log.csv"
    path.write_text("\n".join([lines[0], *body]))
    got = imported(path)
    assert (np.diff(got.data[0]) > 0).all()
    assert np.nanmax(got.data[AT["speed_mps"]]) < 70
    assert np.nanmax(np.abs(got.data[AT["x_m"]])) < 1000
    assert any("1 gaps of more than 1 s, the longest 3.0" in n for n in got.notes)
    assert any("sorted" in n for n in got.notes)
    assert {"position_refused", "speed_refused"} <= set(got.counters)


@pytest.mark.parametrize("kind", [".csv", ".parquet"])
def test_what_is_exported_is_imported(tmp_path: Path, kind: str) -> None:
    """Export and import again: the same numbers, by the names alone."""
    done: list[float] = []
    path = tmp_path / f"out{kind}"
    true = rows_of(FRAMES)
    assert len(FRAMES) == export(path, [true[:, :100], true[:, 100:]], lambda share, what: done.append(share))
    got = imported(path)
    check(got, dict.fromkeys((n for n in CHANNELS if np.isfinite(true[AT[n]]).any()), 1e-12))
    assert 1.0 == done[-1] == max(done)
    with pytest.raises(FeedFormatError, match=r"expected a name ending in \.csv or \.parquet"):
        export(tmp_path / "out.doc", [true])
    with pytest.raises(FeedOpenError, match="cannot be written"):
        export(tmp_path / "no" / f"out{kind}", [true])


def test_parquet_with_units_in_its_fields(tmp_path: Path) -> None:
    """Units in the fields' metadata are used; columns of other types are passed over."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    frames = FRAMES[:500]
    names = {"clock": "t", "velocity": "km/h"}
    schema = pa.schema(
        [
            pa.field("elapsed time", pa.float64(), metadata={"unit": "s"}),
            pa.field("velocity", pa.float32(), metadata={"unit": names["velocity"]}),
            pa.field("lap distance", pa.float64(), metadata={"unit": "m"}),
            pa.field("driver", pa.string()),
            pa.field("things", pa.list_(pa.int32())),
        ]
    )
    values = [[f.t_s for f in frames], [f.speed_mps * 3.6 for f in frames], [f.lap_distance_m for f in frames]]
    table = pa.table([*values, ["me"] * 500, [[1]] * 500], schema=schema)
    pq.write_table(table, tmp_path / "log.parquet")
    check(imported(tmp_path / "log.parquet"), {"speed_mps": 1e-4, "lap_distance_m": 1e-9}, frames)


def test_measurement_files(tmp_path: Path) -> None:
    """ASAM MDF4: channels of different rates, with units, on one clock (written by asammdf itself)."""
    log = asammdf.MDF(version="4.10")
    frames = FRAMES[:600]
    t = np.array([f.t_s for f in frames])
    fast = np.arange(int(t[-1] * 50)) / 50
    speed = np.interp(fast, t, [f.speed_mps * 3.6 for f in frames])
    log.append([asammdf.Signal(speed, fast, name="Vehicle Speed", unit="km/h")])
    log.append(
        [
            asammdf.Signal(np.array([f.lap_distance_m for f in frames]), t, name="Lap Distance", unit="m"),
            asammdf.Signal(np.array([f.gear for f in frames], dtype=np.int16), t, name="Gear"),
        ]
    )
    log.save(tmp_path / "log.mf4")
    log.close()
    got = imported(tmp_path / "log.mf4")
    assert 100.0 == pytest.approx(got.rate_hz, rel=1e-3)
    expected = np.interp(got.data[0], t, [f.speed_mps for f in frames])
    assert np.nanmax(np.abs(expected - got.data[AT["speed_mps"]])) < 0.5
    assert set(np.unique(got.data[AT["gear"]])) <= {1, 2, 3, 4, 5, 6}


def test_gpx(tmp_path: Path) -> None:
    """A GPX track (written by gpxpy) of 5 Hz gives place, speed, inferred pedals and laps."""
    frames = FRAMES[::4]
    log = gpxpy.gpx.GPX()
    track = gpxpy.gpx.GPXTrack()
    segment = gpxpy.gpx.GPXTrackSegment()
    start = datetime.datetime(2026, 5, 1, 10, tzinfo=datetime.UTC)
    for f in frames:
        lat, lon = earth(f)
        time = start + datetime.timedelta(seconds=f.t_s)
        segment.points.append(gpxpy.gpx.GPXTrackPoint(lat, lon, elevation=f.z_m, time=time))
    track.segments.append(segment)
    log.tracks.append(track)
    (tmp_path / "log.gpx").write_text(log.to_xml())
    got = imported(tmp_path / "log.gpx")
    check(got, {"t_s": 1e-5, "z_m": 0.01}, frames)
    complete = [lap.time_s for lap in got.laps if lap.complete]
    assert len(complete) >= 2
    assert [LOOP.lap_time_s] * len(complete) == pytest.approx(complete, abs=0.05)


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("a.csv", b"", "expected a table"),
        ("a.csv", b"hello\nworld\n", "expected a table"),
        ("a.csv", bytes(range(256)) * 20, "a.csv"),
        ("a.parquet", b"PAR1nothing", "not a Parquet file"),
        ("a.mf4", b"MDF     4.10    rubbish" * 50, "not a measurement file"),
        ("a.gpx", b"<gpx><trk>", "not a GPX file"),
        ("a.gpx", b"<?xml version='1.0'?><gpx version='1.1'></gpx>", "no track point has a time"),
        ("a.xyz", b"1,2", r"expected a name ending in \.csv"),
        ("a", b"1,2", "found no ending"),
    ],
)
def test_files_that_are_not_what_they_seem(tmp_path: Path, name: str, content: bytes, expected: str) -> None:
    """Empty, foreign and damaged files: one line with the path."""
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(FeedError, match=expected) as caught:
        imported(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    path.unlink()
    with pytest.raises(FeedError, match=name):
        read_table(path)


def test_a_map_is_written_edited_and_read(tmp_path: Path) -> None:
    """The guess is stored with its reasons, read back the same, and mistakes in it are named with their line."""
    (tmp_path / "log.csv").write_text(text_of(PLAIN))
    guesses = guess_columns(read_table(tmp_path / "log.csv"))
    made = map_of(guesses)
    path = tmp_path / "columns.yaml"
    write_column_map(path, made, {g.field: g.reason for g in guesses})
    assert made == read_column_map(path)
    assert "# named 'speed', unit km/h" in path.read_text()
    path.write_text(path.read_text().replace('unit: "km/h"', 'unit: "psi"'))
    with pytest.raises(
        FeedFormatError, match=r"columns\.yaml:\d+: .*unit of speed_mps: expected one of m/s, km/h.*; found 'psi'"
    ):
        read_column_map(path)
    with pytest.raises(FeedFormatError, match="expected one of the columns Time"):
        convert(
            read_table(tmp_path / "log.csv"),
            ColumnMap(columns={**made.columns, "gear": ColumnChoice(column="Nix")}),
            "log.csv",
        )
    path.write_text(path.read_text().replace('unit: "psi"', "unit: kph").replace('unit: "percent"', 'unit: "%"'))
    assert made == read_column_map(path)
    path.write_text(path.read_text().replace('unit: "%"', "unit: %", 1))
    with pytest.raises(FeedFormatError, match=r"columns\.yaml:\d+: not YAML: .*write it in quotes"):
        read_column_map(path)
    with pytest.raises(ValidationError, match="expected a column for t_s"):
        ColumnMap(columns={"x_m": ColumnChoice(column="x")})
    with pytest.raises(ValidationError, match="either x_m and y_m"):
        StartLine(heading_deg=3.0)


@pytest.mark.parametrize(
    ("name", "field"),
    [
        ("GroundSpeed", "speed_mps"),
        ("vehicle_speed", "speed_mps"),
        ("THROTTLE POSITION", "throttle"),
        ("AcceleratorPedal", "throttle"),
        ("lapNumber", "lap"),
        ("Lap Distance", "lap_distance_m"),
        ("GPS Latitude", "lat_deg"),
        ("Altitude", "z_m"),
        ("Session Time", "t_s"),
        ("in pit lane", "in_pit"),
    ],
)
def test_names_are_understood(name: str, field: str) -> None:
    """Plain names in any spelling are recognised."""
    assert likeness(name, field)[0] > 0.6


@pytest.mark.parametrize(
    ("name", "field"),
    [
        ("Wheel Speed FL", "speed_mps"),
        ("Engine Speed", "speed_mps"),
        ("Lap Time", "lap"),
        ("Lap Time", "t_s"),
        ("Lateral Acceleration", "lat_deg"),
        ("Lat Accel", "lat_deg"),
        ("Brake Temperature", "brake"),
        ("Brake Bias", "brake"),
        ("Acceleration X", "x_m"),
        ("Gear Ratio", "gear"),
        ("Pit Limiter", "in_pit"),
    ],
)
def test_names_are_not_misunderstood(name: str, field: str) -> None:
    """Names that hold a field's word but mean another quantity are not taken."""
    assert 0.0 == likeness(name, field)[0]


def test_words_of_a_name() -> None:
    """Camel case, underscores and brackets part words."""
    assert ["ground", "speed", "kmh"] == words_of("GroundSpeed_kmh")
    assert ["gps", "lat"] == words_of("GPSLat")


def test_no_line_on_a_path_that_does_not_return() -> None:
    """A straight drive and a standing car have no line."""
    t = np.arange(500) / 10
    assert None is find_line(t, t * 30, t * 0, np.full(500, 30.0))
    assert None is find_line(t, t * 0, t * 0, t * 0)


def test_a_neighbouring_piece_of_track_is_no_line() -> None:
    """Where the path comes by in the other direction, or beyond the width of a line, it does not cross it."""
    line = FinishLine(0.0, 0.0, 0.0)
    t = np.arange(100) / 10
    x = np.linspace(-200, 200, 100)
    assert 1 == len(crossings(t, x, x * 0 + 10, line))
    assert [] == crossings(t, -x, x * 0 + 10, line)
    assert [] == crossings(t, x, x * 0 + 40, line)


@settings(max_examples=60)
@given(st.binary(max_size=400) | st.text("0123456789;,.\t\n -eE\"'abctimex", max_size=400).map(str.encode))
def test_any_text_is_a_table_or_a_clear_error(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    """Whatever stands in a file: a table, or a FeedError; never anything else."""
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(content)
    try:
        table = read_table(path)
        guesses = guess_columns(table)
        if not missing(guesses):
            got = convert(table, map_of(guesses))
            assert not (got.data[AT["speed_mps"]] > 150).any()
    except FeedError:
        pass


def test_layout_is_found() -> None:
    """Names, units and the first row of data are distinguished; a file without names gets numbers for names."""
    lines = ["Logger;X", "", "Zeit;Weg", "s;m", "0,1;1,5", "0,2;2,5"]
    layout = find_layout(lines)
    assert layout is not None
    assert (";", True, 2, 3, 4) == (
        layout.separator, layout.decimal_comma, layout.names_row, layout.units_row, layout.data_row,
    )  # fmt: skip
    bare = find_layout(["1,2", "3,4"])
    assert bare is not None
    assert (-1, 0) == (bare.names_row, bare.data_row)
    assert None is find_layout(["a", "b"])
