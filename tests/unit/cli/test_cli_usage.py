"""The command line itself: help for a stranger, and every wrong usage in one line."""

from __future__ import annotations

import gc
import re
import socket
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from coach.app.guide.sighting import SightingError, SightingLap, write_wav
from coach.cli.root import COMMANDS, guarded, make_app

Coach = Callable[..., tuple[int, str, str]]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("drive", "--qqq"), "coach drive: no such option: --qqq; see coach drive --help"),
        (("drive", "extra"), "coach drive: got unexpected extra argument"),
        (("drive", "--laps", "0"), "'--laps'"),
        (("drive", "--seed", "-1"), "'--seed'"),
        (("drive", "--buffer", "0"), "'--buffer'"),
        (("drive", "--port", "70000"), "'--port'"),
        (("replay",), "coach replay: missing argument 'session'"),
        (("replay", "x", "--lap", "-3"), "'--lap'"),
        (("survey", "x", "--reference-lap", "-1"), "'--reference-lap'"),
        (("map", "try"), "coach map try: missing argument"),
        (("check",), "a folder, or --audit RULES"),
        (("import", "x.csv"), "the session folder to make"),
        (("drive", "--feed", "udp", "--no-record"), "nothing to do with neither profile nor recording"),
        (("share", "OTHER", "-o", "x.zip"), "other.yaml"),
        (("add", "FOLDER"), "expected a shared profile (zip), found a folder"),
        (("debrief", "EMPTY"), "empty: not a frame stream, or cut before its first frame (an empty file)"),
        (("map", "try", "EMPTY"), "empty:1: expected keys with values, found nothing"),
        (
            ("import", "EMPTY", "-o", "x", "--separator", ";;"),
            "--separator: expected one character, or tab; found ';;'",
        ),
        (("import", "EMPTY", "-o", "x", "--decimal", "x"), "--decimal: expected . or ,; found 'x'"),
        (("survey", "SESSION", "-o", "OTHER"), "expected a folder, or its profile.yaml; found another file"),
        (
            ("replay", "SESSION", "--explain", "Weir", "--lap", "99", "--profile", "hollow_ridge"),
            "expected 1 to 6, the laps of this session; found 99",
        ),
        (("watch", "tcp://127.0.0.1"), "expected tcp://HOST:PORT"),
        (("watch", "tcp://127.0.0.1:99999"), "expected tcp://HOST:PORT with a port up to 65535"),
        (("watch", "tcp://127.0.0.1:x"), "expected tcp://HOST:PORT"),
        (("guide", "--pace", "-1"), "pace: expected 0.1 to 1, found -1"),
        (("guide", "--pace", "nan"), "pace: expected 0.1 to 1, found nan"),
        (("import", "EMPTY", "-o", "x"), "empty: expected a name ending in .csv"),
    ],
)
def test_wrong_usage_is_one_line_and_code_2(
    coach: Coach, profile: Path, recorded: Path, tmp_path: Path, arguments: tuple[str, ...], said: str
) -> None:
    """Whatever is wrong with the command line or the kind of a file: one line that names it, code 2, no traceback."""
    (tmp_path / "empty").write_bytes(b"")
    for name in ("profile.yaml", "reference.arrow"):
        target = tmp_path / ("other.yaml" if name == "profile.yaml" else name)
        target.write_bytes((profile / name).read_bytes())
    real = {"EMPTY": tmp_path / "empty", "FOLDER": tmp_path, "OTHER": tmp_path / "other.yaml", "SESSION": recorded}
    code, _, err = coach(*(real.get(a, a) for a in arguments))
    assert (2, True) == (code, said in err), err
    assert 1 == len(err.splitlines())


def test_an_unknown_command_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    """A command that is not there is named, with the one that may be meant."""
    code = guarded(lambda: make_app()(args=["dive"]))
    err = capsys.readouterr().err
    assert (2, 1) == (code, len(err.splitlines()))
    assert "'drive'" in err


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_option_has_a_help(coach: Coach, command: str) -> None:
    """Help names the command as it is typed, begins with a whole short sentence, and says something of each option."""
    code, out, _ = coach(command, "--help")
    assert 0 == code
    assert f"Usage: coach {command} " in out
    options = re.findall(r"^  (-\S.*)$", out, re.MULTILINE)
    assert options
    for line in options:
        words = re.split(r"\s{2,}", line, maxsplit=1)
        assert len(words) > 1 or re.search(rf"{re.escape(line)}\n\s{{10,}}\S", out), line


def test_the_list_of_commands_is_not_cut(capsys: pytest.CaptureFixture[str]) -> None:
    """In the list each command has its whole first sentence."""
    assert 0 == guarded(lambda: make_app()(args=["--help"]))
    out = capsys.readouterr().out
    assert "..." not in out.partition("Commands:")[2]
    assert set(COMMANDS) <= set(re.findall(r"^  (\w+) ", out, re.MULTILINE))


def test_a_sound_file_that_can_not_be_written_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, recwarn: pytest.WarningsRecorder
) -> None:
    """The sighting lap's sound file: the place is named, and nothing else is said, not even at the end."""
    told: list[object] = []
    monkeypatch.setattr(sys, "unraisablehook", told.append)
    with pytest.raises(SightingError, match="cannot be written"):
        write_wav(tmp_path / "no" / "x.wav", SightingLap((), 1.0), lambda text: None, 22050)
    gc.collect()
    assert ([], 0) == (told, len(recwarn))


def test_ports_in_use_and_places_that_can_not_be_written(coach: Coach, recorded: Path, profile: Path) -> None:
    """A port that is taken and a file where nothing can be written are named, each in one line."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        answers = [coach("edit", profile, "--port", port, "--no-browser")]
    nowhere = "/proc/no/such"
    answers += [
        coach("debrief", recorded, "--html", f"{nowhere}.html", "--no-keep"),
        coach("guide", profile, "-o", f"{nowhere}.html"),
        coach("export", recorded, "-o", f"{nowhere}.csv"),
        coach("survey", recorded, "-o", nowhere),
        coach("share", profile, "-o", f"{nowhere}.zip"),
        coach("keys", nowhere),
        coach("history", "--file", f"{nowhere}.db"),
        coach("map", "capture", f"{nowhere}.cap", "--port", 20999, "--seconds", 0.5),
        coach("drive", "--quiet", "--speed", "max", "--laps", 1, "--record", nowhere),
    ]
    for place, (code, _, err) in zip([str(port), *[nowhere] * 9], answers, strict=True):
        assert (2, 1) == (code, len(err.splitlines())), err
        assert place in err
