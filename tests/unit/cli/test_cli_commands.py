"""The commands as a user gives them: what they print, how they end, what they say when something is wrong."""

from __future__ import annotations

import json
import shutil
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

Coach = Callable[..., tuple[int, str, str]]


def test_survey_writes_a_profile_and_a_second_one_keeps_an_edit(
    coach: Coach, recorded: Path, profile: Path, tmp_path: Path
) -> None:
    """A survey refreshes a profile, names what it kept, and leaves the edited line as it was."""
    mine = tmp_path / "mine"
    shutil.copytree(profile, mine)
    file = mine / "profile.yaml"
    lines = file.read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if line.strip().startswith("brake_m:"))
    edited = f"{lines[at].split(':')[0]}: 171.0  # by the tree"
    lines[at] = edited
    file.write_text("\n".join(lines) + "\n")
    code, out, _ = coach("survey", recorded, "-o", mine)
    assert code == 0
    assert "kept your brake_m of T1" in out
    assert edited in file.read_text()


def test_replay_writes_the_same_log_twice(coach: Coach, recorded: Path, profile: Path, tmp_path: Path) -> None:
    """Two replays give the same decision log, byte for byte, and it is not empty."""
    logs = [tmp_path / "a.jsonl", tmp_path / "b.jsonl"]
    for log in logs:
        code, out, _ = coach("replay", recorded, "--profile", profile, "--log", log)
        assert code == 0
        assert "times real time" in out
    assert logs[0].read_bytes() == logs[1].read_bytes()
    assert len(logs[0].read_text().splitlines()) > 0


def test_debrief_json_keeps_its_contract(coach: Coach, recorded: Path, profile: Path) -> None:
    """The JSON has the fields of the contract and each lap's delta is the sum of its corners' losses."""
    code, out, _ = coach("debrief", recorded, "--profile", profile, "--json")
    assert code == 0
    found = json.loads(out)
    assert found["schema"] == 1
    assert {"circuit", "length_m", "best_lap", "possible_best_s", "laps"} <= found.keys()
    assert [lap["lap"] for lap in found["laps"]] == [1, 2, 3, 4, 5]
    for lap in found["laps"]:
        total = sum(c["loss_s"] + c["loss_straight_s"] for c in lap["corners"])
        assert lap["delta_s"] == pytest.approx(total, abs=1e-6)
        for corner in lap["corners"]:
            parts = corner["loss_entry_s"] + corner["loss_middle_s"] + corner["loss_exit_s"]
            assert corner["loss_s"] == pytest.approx(parts, abs=1e-9)
    assert found["possible_best_s"] <= min(lap["time_s"] for lap in found["laps"])


def test_debrief_names_the_habit_first(coach: Coach, recorded: Path, profile: Path) -> None:
    """The costliest place to gain is the one fault that was driven, with the sentence that cures it."""
    code, out, _ = coach("debrief", recorded, "--profile", profile)
    assert code == 0
    first = next(line for line in out.splitlines() if line.strip().startswith("1 "))
    assert "T1" in first
    assert "brakes" in first
    assert "early" in first


def test_debrief_without_a_profile_surveys_the_session_itself(coach: Coach, recorded: Path) -> None:
    """A session that holds no profile is still debriefed, and it is said how."""
    code, out, _ = coach("debrief", recorded, "--json")
    assert code == 0
    assert any("surveyed" in note for note in json.loads(out)["notes"])


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("replay", "nowhere"), "no such session"),
        (("debrief", "nowhere"), "no such session"),
        (("survey", "nowhere"), "no such session"),
        (("send", "nowhere"), "no such session"),
        (("drive", "--profile", "nowhere"), "nowhere"),
        (("drive", "--rules", "nowhere", "--profile", "PROFILE"), "nowhere"),
        (("drive", "--feed", "nowhere", "--profile", "PROFILE"), "feed"),
        (("drive", "--feed", "replay", "--profile", "PROFILE"), "--session"),
        (("replay", "SESSION", "--speed", "fast"), "expected max"),
        (("send", "SESSION", "--to", "here"), "HOST:PORT"),
    ],
)
def test_what_can_be_mended_is_one_line_and_code_2(
    coach: Coach, recorded: Path, profile: Path, arguments: tuple[str, ...], said: str
) -> None:
    """Every mistake ends with exit code 2 and one line that says what was found; never a traceback."""
    real = [str(recorded) if a == "SESSION" else str(profile) if a == "PROFILE" else a for a in arguments]
    code, _, err = coach(*real)
    assert code == 2
    assert said in err
    assert "Traceback" not in err
    assert len(err.strip().splitlines()) == 1


def test_a_port_in_use_is_named(coach: Coach, profile: Path) -> None:
    """A drive on a taken port says so and ends with code 2."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        code, _, err = coach("drive", "--feed", "udp", "--port", port, "--profile", profile, "--quiet")
    assert code == 2
    assert str(port) in err


def test_a_wrong_profile_names_file_and_line(coach: Coach, recorded: Path, profile: Path, tmp_path: Path) -> None:
    """A typing error in a profile is found at its line, with what is allowed."""
    wrong = tmp_path / "wrong"
    shutil.copytree(profile, wrong)
    file = wrong / "profile.yaml"
    lines = file.read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if line.strip().startswith("direction:"))
    lines[at] = lines[at].split(":")[0] + ": sideways"
    file.write_text("\n".join(lines) + "\n")
    code, _, err = coach("replay", recorded, "--profile", wrong)
    assert code == 2
    assert f"profile.yaml:{at + 1}" in err
    assert "left" in err


def test_a_log_that_can_not_be_written_is_named(coach: Coach, recorded: Path, profile: Path, tmp_path: Path) -> None:
    """A log path in a folder that is not there ends with code 2."""
    code, _, err = coach("replay", recorded, "--profile", profile, "--log", tmp_path / "no" / "log.jsonl")
    assert code == 2
    assert "log.jsonl" in err


def test_a_drive_without_a_profile_is_recorded_for_a_survey(coach: Coach, recorded: Path, tmp_path: Path) -> None:
    """A first drive on an unknown circuit times and records the laps; the survey of the record makes the profile."""
    folder = tmp_path / "first"
    code, _, err = coach("drive", "--feed", "replay", "--session", recorded, "--speed", "max", "--record", folder)
    assert 0 == code
    assert "laps are timed and recorded" in err
    code, out, _ = coach("survey", folder, "-o", tmp_path / "made")
    assert 0 == code
    assert "11 corners" in out


def test_a_map_with_a_gap_is_written_and_refused_until_it_is_filled(coach: Coach, tmp_path: Path) -> None:
    """Where no column looks like the time, --write-map keeps the guess and marks the gap; filled in, it imports."""
    file, where, session = tmp_path / "log.csv", tmp_path / "columns.yaml", tmp_path / "session"
    # neither its name nor its uneven steps say that it is the time
    rows = [f"{i / 50 + i % 3 / 200:.3f},{30 * i / 50:.3f},{i % 7 / 10:.3f},30.0,0.5" for i in range(500)]
    file.write_text("\n".join(["kello,pos x,pos y,Speed [m/s],Throttle", *rows]) + "\n")
    code, _, err = coach("import", file, "-o", session, "--yes")
    assert 2 == code
    assert "no column looks like the time (t_s); columns: kello, pos x" in err
    assert "--write-map" in err
    code, out, _ = coach("import", file, "--write-map", where)
    assert 0 == code
    assert "no column looks like the time (t_s); fill in" in out
    text = where.read_text()
    assert 'Columns of the file: "kello", "pos x"' in text
    assert '    column: "Speed [m/s]"' in text
    code, _, err = coach("import", file, "--map", where, "-o", session)
    line = text.splitlines().index('    column: ""') + 1
    assert 2 == code
    assert f"columns.yaml:{line}: columns.t_s.column: " in err
    assert "found ''" in err
    where.write_text(text.replace('column: ""', "column: kello"))
    code, out, _ = coach("import", file, "--map", where, "-o", session)
    assert 0 == code
    assert "500 frames at 40.0 Hz" in out


def test_an_import_without_a_session_folder_says_so(coach: Coach, tmp_path: Path) -> None:
    """Without --write-map the folder of the session must be named."""
    code, _, err = coach("import", tmp_path / "log.csv")
    assert 2 == code
    assert "-o" in err
