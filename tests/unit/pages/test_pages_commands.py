from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from pages_shared import ROOT, SESSION

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(coach: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Runs a command line with all it keeps inside the test's folder: code, output, errors."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return coach


def test_share_and_add_give_the_same_profile(run: Run, tmp_path: Path) -> None:
    """A shared profile contains profile and reference only, and is byte for byte the same when added elsewhere."""
    packed, folder = tmp_path / "ridge.zip", tmp_path / "added"
    assert 0 == run("share", "hollow_ridge", "-o", packed)[0]
    with zipfile.ZipFile(packed) as archive:
        assert {"profile.yaml", "reference.arrow"} == set(archive.namelist())
    code, out, _ = run("add", packed, "--into", folder)
    assert 0 == code
    assert f"coach drive --profile {folder}" in out
    for name in ("profile.yaml", "reference.arrow"):
        assert (ROOT / "profiles" / "hollow_ridge" / name).read_bytes() == (folder / name).read_bytes()
    code, _, errors = run("add", packed, "--into", folder)
    assert 2 == code
    assert "existing" in errors


def test_add_goes_to_the_users_profiles(run: Run, tmp_path: Path) -> None:
    """Without a folder it is added under the file's name among the user's own profiles."""
    packed = tmp_path / "My Ridge!.zip"
    assert 0 == run("share", "hollow_ridge", "-o", packed)[0]
    assert 0 == run("add", packed)[0]
    assert [f"{tmp_path}/data/corner-coach/profiles/my-ridge"] == [
        str(p.parent) for p in (tmp_path / "data").rglob("profile.yaml")
    ]


def test_an_added_profile_is_found_by_its_name(run: Run, tmp_path: Path) -> None:
    """After coach add its name works wherever a profile is expected; an unknown name lists all known ones."""
    packed, page = tmp_path / "My Ridge!.zip", tmp_path / "again.zip"
    assert 0 == run("share", "hollow_ridge", "-o", packed)[0]
    assert "coach drive --profile my-ridge" in run("add", packed)[1]
    for command in (
        ("replay", SESSION, "--profile", "my-ridge"),
        ("debrief", SESSION, "--profile", "my-ridge", "--no-keep"),
        ("guide", "my-ridge"),
        ("share", "my-ridge", "-o", page),
        ("drive", "--profile", "my-ridge", "--quiet", "--laps", "1", "--speed", "max", "--no-record"),
    ):
        code, _, errors = run(*command)
        assert (0, "") == (code, errors.strip())
    for wrong in (
        ("drive", "--profile", "your-ridge"),
        ("replay", SESSION, "--profile", "your-ridge"),
        ("debrief", SESSION, "--profile", "your-ridge"),
        ("edit", "your-ridge", "--no-browser"),
    ):
        code, _, errors = run(*wrong)
        assert 2 == code
        assert "your-ridge: expected a file, a folder or one of " in errors
        assert "or one of hollow_ridge, my-ridge; found no profile of that name" in errors


def test_guide_as_json_names_every_corner(run: Run) -> None:
    """A program can read the guide."""
    code, out, _ = run("guide", "hollow_ridge", "--json")
    assert 0 == code
    guide = json.loads(out)
    assert 11 == len(guide["corners"])
    assert "brake" in guide["corners"][0]["facts"]


def test_debrief_page_and_history(run: Run, tmp_path: Path) -> None:
    """A debrief writes its page and keeps the session; the history then knows circuit, laps and corners."""
    page = tmp_path / "page.html"
    code, out, _ = run("debrief", SESSION, "--html", page)
    assert 0 == code
    assert f"written: {page}" in out
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    code, out, _ = run("history", "--json")
    assert (0, [{"circuit": "Hollow Ridge", "sessions": 1}]) == (code, json.loads(out)["circuits"])
    code, out, _ = run("history", "Hollow Ridge", "--json")
    found = json.loads(out)
    assert {"schema", "circuit", "sessions", "best_laps", "corners", "cues"} == found.keys()
    assert 11 == len(found["corners"])
    assert 0 == run("history", "Hollow Ridge")[0]


def test_a_debrief_that_is_not_kept(run: Run) -> None:
    """--no-keep, and a debrief against another profile, leave the history alone."""
    assert 0 == run("debrief", SESSION, "--no-keep")[0]
    assert 0 == run("debrief", SESSION, "--profile", "hollow_ridge")[0]
    assert [] == json.loads(run("history", "--json")[1])["circuits"]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("guide", "nowhere"), "nowhere"),
        (("guide", "hollow_ridge", "--sound", "x.wav", "--pace", "7"), "pace: expected 0.1 to 1, found 7"),
        (("guide", "hollow_ridge", "-o", "/no/such/folder/g.html"), "cannot be written"),
        (("history", "Nowhere"), "expected one of (no circuits yet); found 'Nowhere'"),
        (("share", "nowhere", "-o", "x.zip"), "nowhere"),
        (("add", "nowhere.zip"), "nowhere.zip"),
        (("edit", "nowhere", "--no-browser"), "nowhere"),
        (("edit", "hollow_ridge", "--session", "nowhere", "--no-browser"), "nowhere"),
    ],
)
def test_what_is_wrong_is_one_line(run: Run, arguments: tuple[str, ...], told: str) -> None:
    """A mistake is told in one line with what was found, code 2, and no traceback."""
    code, _, errors = run(*arguments)
    assert 2 == code
    assert told in errors
    assert 1 == len(errors.strip().splitlines())
