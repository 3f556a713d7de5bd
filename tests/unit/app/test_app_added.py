"""Additions by other packages: one is installed, and its feed and output run by name from the command line."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from coach import load_plan
from feeds.practice import faultless, hollow_ridge, simulate
from feeds.practice.sampling import frames_of

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def added(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package of tests/added_package, installed into a folder of its own without the network."""
    folder = tmp_path_factory.mktemp("added")
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "-q", "--disable-pip-version-check", "--no-index", "--no-deps",
         "--no-build-isolation", "--target", folder, ROOT / "tests" / "added_package"],
        check=True,
    )  # fmt: skip
    return folder


def coach(added: Path, home: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "PYTHONPATH": f"{added}{os.pathsep}{ROOT}", "HOME": str(home), "XDG_DATA_HOME": str(home)}
    command = [sys.executable, "-m", "coach", "drive", "--no-voice", "--no-overlay", *arguments]
    return subprocess.run(command, env=env, cwd=home, capture_output=True, text=True, check=False)


def test_a_feed_and_an_output_of_another_package(added: Path, tmp_path: Path) -> None:
    """Installed, both are there by name, with their options; the laps they see are those of the reference."""
    book = tmp_path / "laps.txt"
    done = coach(
        added, tmp_path, "--feed", "metronome", "--option", "laps=2", "--output", f"notebook:file={book}",
        "--profile", "hollow_ridge", "--record", str(tmp_path / "session"),
    )  # fmt: skip
    assert 0 == done.returncode, done.stderr
    wanted = load_plan("hollow_ridge").reference.lap_time_s
    times = [float(line.split()[-1]) for line in book.read_text().splitlines()]
    assert times == pytest.approx([wanted] * len(times), abs=0.05)
    assert len(times) >= 2


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--feed", "metronome", "--option", "rounds=2"], "expected options of laps"),
        (["--feed", "metronome", "--option", "rounds"], "expected NAME=VALUE"),
        (["--feed", "broken"], "expected a class of feeds.base.Feed"),
        (["--feed", "nowhere"], "expected one of practice, udp, map, nmea, replay"),
        (["--option", "laps=2"], "expected a feed that another package adds, found feed practice"),
        (["--output", "nowhere"], "expected one of notebook"),
        (["--output", "notebook:page=1"], "--output notebook: TypeError"),
    ],
)
def test_mistakes_are_one_line(added: Path, tmp_path: Path, arguments: list[str], expected: str) -> None:
    """A wrong name or option of an addition ends with code 2 and one line that says what there is."""
    done = coach(added, tmp_path, *arguments, "--profile", "hollow_ridge", "--no-record", "--laps", "1")
    assert 2 == done.returncode
    assert expected in done.stderr
    assert "Traceback" not in done.stderr


def test_the_example_of_the_guide_runs() -> None:
    """The guide's example for programs that embed the coach runs unchanged, on a lap of the practice car."""
    guide = (ROOT / "DEVELOPERS.md").read_text()
    example = re.search(r"```python\n(import coach\n.*?)```", guide, re.DOTALL)
    assert example is not None
    run = simulate(faultless(hollow_ridge()), 2, rate_hz=30.0, seed=3)
    said: list[str] = []
    laps: list[float] = []
    names = {
        "frames": frames_of(run.channels, None, 1),
        "say": said.append,
        "show": lambda lap: laps.append(lap.time_s),
    }
    exec(compile(example[1], "DEVELOPERS.md", "exec"), names)
    assert [60.0 < t < 200.0 for t in laps] == [True] * len(laps) != []
    assert said
