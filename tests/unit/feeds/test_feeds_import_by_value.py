"""Files whose headings say nothing: columns are known by their values where these leave no doubt, else left out."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from feeds_loop import Loop

from feeds.frame import CHANNELS, Frame
from feeds.importers.column_map import not_taken
from feeds.importers.convert import Imported, convert, read_table
from feeds.importers.guess import guess_columns, map_of, missing
from feeds.importers.words import likeness, words_of

LOOP = Loop()
FRAMES = LOOP.frames(3.2, 20.0, start_m=2500.0)
AT = {name: i for i, name in enumerate(CHANNELS)}
Columns = dict[str, Callable[[Frame], object]]


def written(path: Path, columns: Columns) -> Path:
    rows = [",".join(columns), *(",".join(str(value(f)) for value in columns.values()) for f in FRAMES)]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def taken(path: Path) -> dict[str, str]:
    return {g.field: g.column for g in guess_columns(read_table(path))}


def imported(path: Path) -> Imported:
    table = read_table(path)
    guesses = guess_columns(table)
    assert [] == missing(guesses)
    return convert(table, map_of(guesses))


UNKNOWN: Columns = {
    "rivi": lambda f: round(f.t_s * 20),
    "aika": lambda f: f"{f.t_s * 1000:.0f}",
    "nopeus": lambda f: f"{f.speed_mps * 3.6:.2f}",
    "kaasu": lambda f: f"{100 * f.throttle:.1f}",
    "jarru": lambda f: f"{100 * f.brake:.1f}",
    "vaihde": lambda f: f.gear,
    "kierrokset": lambda f: f"{2000 + 90 * f.speed_mps:.0f}",
    "itä": lambda f: f"{f.x_m:.2f}",
    "pohjoinen": lambda f: f"{f.y_m:.2f}",
    "lämpö": lambda f: "88",
    "merkki": lambda f: "abc",
}


def test_headings_in_an_unknown_language(tmp_path: Path) -> None:
    """Time, speed, place, pedals and gear are found by value, with their units; the rest is listed with its reason."""
    path = written(tmp_path / "loki.csv", UNKNOWN)
    found = {g.field: (g.column, g.unit) for g in guess_columns(read_table(path))}
    assert ("aika", "ms") == found["t_s"]
    assert ("nopeus", "km/h") == found["speed_mps"]
    assert ("itä", "m") == found["x_m"]
    assert ("pohjoinen", "m") == found["y_m"]
    assert ("kaasu", "percent") == found["throttle"]
    assert ("jarru", "percent") == found["brake"]
    assert "vaihde" == found["gear"][0]
    left = {n.column: n.why for n in not_taken(read_table(path), taken(path))}
    assert {"rivi", "kierrokset", "lämpö", "merkki"} == left.keys()
    assert "always 88" == left["lämpö"]
    assert "text, expected numbers" == left["merkki"]
    made = imported(path)
    assert 2 <= sum(lap.complete for lap in made.laps)
    assert made.data[AT["speed_mps"]][200] == pytest.approx(FRAMES[200].speed_mps, abs=0.01)


def test_a_distance_that_falls_back_is_the_place(tmp_path: Path) -> None:
    """Without positions the lap distance is known by its fall at the line and its fit with the speed; laps count on."""
    path = written(
        tmp_path / "loki.csv",
        {
            "a": lambda f: f"{f.t_s:.3f}",
            "b": lambda f: f"{f.speed_mps:.3f}",
            "c": lambda f: f"{f.lap_distance_m:.2f}",
            "d": lambda f: f.lap,
        },
    )
    found = {g.field: (g.column, g.unit) for g in guess_columns(read_table(path))}
    assert {"t_s": ("a", "s"), "speed_mps": ("b", "m/s"), "lap_distance_m": ("c", "m"), "lap": ("d", "count")} == found


def test_degrees_are_told_by_how_the_car_moves(tmp_path: Path) -> None:
    """Latitude and longitude without names: only one of the two orders makes the car as fast as its speed."""
    north, east = 111_200.0, 111_200.0 * math.cos(math.radians(50.0))
    path = written(
        tmp_path / "loki.csv",
        {
            "a": lambda f: f"{f.t_s:.3f}",
            "b": lambda f: f"{f.speed_mps * 3.6:.3f}",
            "c": lambda f: f"{8.0 + f.x_m / east:.8f}",
            "d": lambda f: f"{50.0 + f.y_m / north:.8f}",
        },
    )
    found = taken(path)
    assert "d" == found["lat_deg"]
    assert "c" == found["lon_deg"]


def test_what_leaves_a_doubt_is_not_taken(tmp_path: Path) -> None:
    """Noise, copies of one another and columns that fit nothing stay out: no time is made of a row number."""
    rng = np.random.default_rng(1)
    path = written(
        tmp_path / "noise.csv",
        {
            "rivi": lambda f: round(f.t_s * 20),
            "q": lambda f: f"{rng.normal():.3f}",
            "w": lambda f: f"{rng.uniform(0, 100):.3f}",
        },
    )
    assert {} == taken(path)


def test_two_pedals_that_follow_alike_leave_a_doubt(tmp_path: Path) -> None:
    """A second column that opens with the throttle nearly as well: neither is taken."""
    path = written(tmp_path / "loki.csv", UNKNOWN | {"kaasu 2": lambda f: f"{95 * f.throttle:.1f}"})
    assert "throttle" not in taken(path)


@pytest.mark.parametrize(
    ("name", "field"),
    [
        ("Geschwindigkeit [km/h]", "speed_mps"), ("Höhe", "z_m"), ("Längengrad", "lon_deg"), ("Bremse", "brake"),
        ("Gaspedal %", "throttle"), ("vitesse", "speed_mps"), ("rapport", "gear"), ("velocità", "speed_mps"),
        ("tiempo", "t_s"), ("spd", "speed_mps"), ("thr", "throttle"), ("brk", "brake"), ("Gang", "gear"),
        ("Runde", "lap"), ("lap_nr", "lap"), ("versnelling", "gear"), ("Lenkwinkel", "steer"),
    ],
)  # fmt: skip
def test_short_names_and_other_languages(name: str, field: str) -> None:
    """Abbreviations and the words of some languages are understood, marks on letters or not."""
    assert likeness(name.partition(" [")[0], field)[0] >= 0.45, words_of(name)


@pytest.mark.parametrize(
    "stamp",
    [
        lambda t: f"26.11.2026 17:{int(t // 60):02d}:{t % 60:06.3f}",
        lambda t: f"26/11/2026 17:{int(t // 60):02d}:{t % 60:06.3f}",
        lambda t: f"11/26/2026 05:{int(t // 60):02d}:{t % 60:06.3f} PM",
        lambda t: f"2026/11/26 17:{int(t // 60):02d}:{t % 60:06.3f}",
        lambda t: f"03.04.2026 17:{int(t // 60):02d}:{t % 60:06.3f}",
        lambda t: f"26.11.26 17:{int(t // 60):02d}:{t % 60:06.3f}",
    ],
)
def test_local_date_stamps(tmp_path: Path, stamp: Callable[[float], str]) -> None:
    """The day may stand before the month, after it or behind the year, with points, slashes or AM and PM."""
    path = written(
        tmp_path / "log.csv",
        {
            "Date and time": lambda f: stamp(f.t_s),
            "pos x": lambda f: f"{f.x_m:.3f}",
            "pos y": lambda f: f"{f.y_m:.3f}",
            "speed": lambda f: f"{f.speed_mps:.3f}",
        },
    )
    made = imported(path)
    assert FRAMES[-1].t_s == pytest.approx(made.data[AT["t_s"]][-1], abs=0.002)


def test_every_column_that_is_not_taken_has_a_reason(tmp_path: Path) -> None:
    """A second speed names the one in use; a column named like a field that cannot be it says so."""
    path = written(
        tmp_path / "log.csv",
        {
            "time": lambda f: f"{f.t_s:.3f}",
            "pos x": lambda f: f"{f.x_m:.3f}",
            "pos y": lambda f: f"{f.y_m:.3f}",
            "speed": lambda f: f"{f.speed_mps:.3f}",
            "gps speed": lambda f: f"{f.speed_mps:.3f}",
            "gear": lambda f: f"{f.speed_mps / 7:.3f}",
            "spare": lambda f: "",
        },
    )
    columns = taken(path)
    left = {n.column: n.why for n in not_taken(read_table(path), columns)}
    other = ({"speed", "gps speed"} - {columns["speed_mps"]}).pop()
    assert f"speed_mps is taken from '{columns['speed_mps']}'" == left[other]
    assert left["gear"].startswith("named like gear, but its values")
    assert "empty" == left["spare"]
