"""First contact with the command line: options without effect, newest items, files of the wrong kind."""

from __future__ import annotations

import dataclasses
import json
import shutil
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from coach.core.columns import Columns
from coach.profile.reference_file import read_reference, write_reference
from coach.profile.store import added_folder, is_shipped, load_plan, profile_paths
from coach.session.header import Header
from coach.session.reader import SessionReader, store

Coach = Callable[..., tuple[int, str, str]]


@pytest.fixture(autouse=True)
def empty_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Nothing was recorded or made on this machine yet."""
    for name in ("DATA", "CONFIG", "CACHE"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / "home" / name.lower()))
    return tmp_path / "home"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--map", "m.yaml", "--feed", "udp"), "--map does nothing with --feed udp; it is for --feed map"),
        (("--map", "m.yaml", "--receiver", "file:x"), "--map and --receiver choose different feeds"),
        (("--receiver", "file:x", "--port", "20770"), "--port does nothing with --feed nmea"),
        (("--port", "20770", "--seed", "3"), "--seed does nothing with --feed udp; it is for --feed practice"),
        (("--feed", "practice", "--port", "20770"), "--port does nothing with --feed practice"),
        (("--map", "m.yaml", "--capture", "c", "--host", "0.0.0.0"), "--host does nothing with --capture"),
        (("--map", "m.yaml", "--speed", "2"), "--speed does nothing while listening"),
        (("--receiver", "udp:h:1", "--speed", "2"), "--speed does nothing with a receiver that is connected"),
        (("--latency", "0.2"), "--latency does nothing with --feed practice; it is for --feed nmea"),
        (("--no-voice", "--volume", "0.5"), "--volume does nothing with --no-voice"),
        (("--quiet", "--mark"), "--mark does nothing with --quiet"),
        (("--record", "x", "--no-record"), "--record does nothing with --no-record"),
        (("--keys", "k"), "--keys does nothing without --watch"),
        (("--survey-after", "3"), "--survey-after does nothing with a profile"),
        (("--circuit", "Mine"), "--circuit does nothing with a profile"),
    ],
)
def test_an_option_that_does_nothing_is_refused(coach: Coach, arguments: tuple[str, ...], said: str) -> None:
    """Each is named with the reason in one line, and nothing is begun."""
    with pytest.raises(SystemExit) as end:
        _plain(arguments)
    assert 2 == end.value.code


def _plain(arguments: tuple[str, ...]) -> None:
    from coach.cli.root import make_app

    make_app("drive")(args=["drive", *arguments])


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("replay", "S", "--lap", "2"), "--lap does nothing without --explain"),
        (("replay", "S", "--differences", "d"), "--differences does nothing without --against"),
        (("map", "try", "M", "--capture", "c", "--seconds", "3"), "--seconds does nothing with --capture"),
        (("drive", "--port", "1", "--rules", "race"), "--rules does nothing without a profile"),
        (("import", "f.csv", "--write-map", "m", "-o", "s"), "--output does nothing with --write-map"),
        (("drive", "--map", "m.yaml", "--feed", "udp"), "--map does nothing with --feed udp; it is for --feed map"),
    ],
)
def test_the_reason_is_one_line(coach: Coach, arguments: tuple[str, ...], said: str) -> None:
    """The line names the option and what it would need."""
    code, _, err = coach(*arguments)
    assert 2 == code
    assert said in err
    assert 1 == len(err.strip().splitlines())


def test_map_and_receiver_choose_their_feed(coach: Coach, tmp_path: Path) -> None:
    """Without --feed the named file selects the feed that needs it."""
    code, _, err = coach("drive", "--map", tmp_path / "no.yaml")
    assert 2 == code
    assert "no.yaml" in err
    code, _, err = coach("drive", "--receiver", f"file:{tmp_path / 'no.nmea'}")
    assert 2 == code
    assert "no.nmea: cannot be opened" in err


def test_nothing_yet(coach: Coach) -> None:
    """Without a session there is none to take: it is said where they would be."""
    for command in ("debrief", "survey"):
        code, _, err = coach(command)
        assert 2 == code
        assert "no session given and none in" in err


def test_the_newest_session_and_profile_are_taken(coach: Coach, recorded: Path, empty_home: Path) -> None:
    """The one that was recorded last and holds frames; an empty one is passed over, and it is said which it is."""
    sessions = empty_home / "data" / "corner-coach" / "sessions"
    shutil.copytree(recorded, sessions / "older")
    shutil.copytree(recorded, sessions / "newer")
    store(sessions / "empty", Header(session="empty", started_at="", feed="udp"), Columns.empty(0))
    (sessions / "older" / "header.json").touch()
    (sessions / "newer" / "header.json").touch()
    (sessions / "empty" / "header.json").touch()
    code, _, err = coach("survey", "-o", added_folder() / "mine")
    assert 0 == code
    assert f"newest session: {sessions / 'newer'}" in err
    code, out, err = coach("debrief", "--json")
    assert 0 == code
    assert f"newest session: {sessions / 'newer'}" in err
    assert "Hollow Ridge" == json.loads(out)["circuit"]
    from coach.app.paths import newest_profile

    said: list[str] = []
    assert str(added_folder() / "mine") == newest_profile(said.append)
    assert [f"newest profile: {added_folder() / 'mine'}"] == said


def test_without_a_profile_of_ones_own_the_shipped_one_is_edited() -> None:
    """And it is said that it ships."""
    from coach.app.paths import newest_profile

    said: list[str] = []
    assert "hollow_ridge" == newest_profile(said.append)
    assert "ships with the coach" in said[0]


def test_a_logged_file_is_to_be_imported_first(coach: Coach, tmp_path: Path) -> None:
    """Debrief, replay and survey name the command that makes a session of it."""
    file = tmp_path / "log.csv"
    file.write_text("time,speed\n1,2\n")
    for command in ("debrief", "replay", "survey"):
        code, _, err = coach(command, file)
        assert 2 == code
        assert f"{file}: a CSV; import it first: coach import {file} -o log_session" in err


def test_a_path_is_printed_as_it_is(coach: Coach, tmp_path: Path) -> None:
    """Emoji codes and brackets in a name stay what they are."""
    for name in (":100:", "[bold]x[/bold]", ":warning:.csv"):
        _, _, err = coach("debrief", tmp_path / name)
        assert str(tmp_path / name) in err
    log = tmp_path / ":100: [red]log.csv"
    log.write_text("t,x,y,:100:\n" + "\n".join(f"{i / 10},{i},{i * i / 99},a" for i in range(200)) + "\n")
    code, out, _ = coach("import", log, "-o", tmp_path / "made", "--yes")
    assert 0 == code
    assert str(log) in out
    assert "not imported: :100:: text, expected numbers" in out


def test_map_try_without_packets_names_the_port(coach: Coach, tmp_path: Path) -> None:
    """And it ends with 2; with --json too."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind(("127.0.0.1", 0))
        port = one.getsockname()[1]
    plain = Path(__file__).parents[3] / "profiles" / "maps" / "plain_sender.yaml"
    code, _, err = coach("map", "try", plain, "--port", port, "--seconds", "0.5")
    assert 2 == code
    assert f"no packet came to 127.0.0.1:{port} in 0.5 s: is the sender on" in err
    code, out, _ = coach("map", "try", plain, "--port", port, "--seconds", "0.5", "--json")
    assert 2 == code
    assert 0 == json.loads(out)["frames"]


def test_an_empty_drive_leaves_nothing(coach: Coach, tmp_path: Path, empty_home: Path) -> None:
    """No session, no history, no next step: it is said that no data came in."""
    empty = tmp_path / "empty.nmea"
    empty.write_bytes(b"")
    for extra in ((), ("--profile", "hollow_ridge")):
        quiet = ("--no-voice", "--no-overlay", "--speed", "max")
        code, out, _ = coach("drive", "--receiver", f"file:{empty}", *quiet, *extra)
        assert 0 == code
        assert "no usable data came in: nothing was recorded" in out
        assert "next:" not in out
    assert [] == list((empty_home / "data").rglob("header.json"))
    assert [] == list((empty_home / "data").rglob("history.sqlite3"))


def test_a_session_without_laps_leaves_nothing_in_the_history(coach: Coach, recorded: Path, empty_home: Path) -> None:
    """Half a lap is debriefed as having no lap, and is not kept."""
    reader = SessionReader(recorded)
    part = empty_home / "part"
    store(part, Header(session="part", started_at="", feed="udp"), reader.columns().part(0, 2500))
    code, out, _ = coach("debrief", part, "--profile", "hollow_ridge", "--keep")
    assert 0 == code
    assert "no valid lap in this session" in out
    assert "nothing stands out" not in out
    code, out, _ = coach("history")
    assert "part" not in out


def test_a_slower_reference_is_refused_without_replace(
    coach: Coach, recorded: Path, profile: Path, tmp_path: Path
) -> None:
    """The old reference stays; with --replace it is kept beside the new one, and the names are the profile's."""
    mine = tmp_path / "mine"
    shutil.copytree(profile, mine)
    file = mine / "profile.yaml"
    file.write_text(file.read_text().replace("name: T1", "name: Quarry"))
    before = (mine / "reference.arrow").read_bytes()
    reader = SessionReader(recorded)
    slower = tmp_path / "slower"
    columns = reader.columns()
    columns["t_s"][:] *= 1.02
    columns["speed_mps"][:] /= 1.02
    store(slower, reader.header, columns)
    code, _, err = coach("survey", slower, "-o", mine)
    assert 2 == code
    assert "the new reference is slower: expected" in err
    assert before == (mine / "reference.arrow").read_bytes()
    code, out, _ = coach("survey", slower, "-o", mine, "--replace")
    assert 0 == code
    assert before == (mine / "reference.1.arrow").read_bytes()
    assert f"old reference kept: {mine / 'reference.1.arrow'}" in out
    assert "Quarry" in out
    assert "T1 " not in out
    code, out, _ = coach("survey", slower, "-o", mine, "--json")
    assert 0 == code, "the same laps again are no slower ones"
    assert json.loads(out)["kept_reference"] is None


def test_another_circuit_is_refused_without_replace(
    coach: Coach, recorded: Path, profile: Path, tmp_path: Path
) -> None:
    """A survey does not write one circuit over another; with --replace the old profile and reference are kept."""
    mine = tmp_path / "mine"
    shutil.copytree(profile, mine)
    old = (mine / "profile.yaml").read_bytes()
    reader = SessionReader(recorded)
    elsewhere = tmp_path / "elsewhere"
    columns = reader.columns()
    columns["x_m"][:] += 9000.0
    store(elsewhere, reader.header, columns)
    code, _, err = coach("survey", elsewhere, "-o", mine, "--circuit", "Elsewhere")
    assert 2 == code
    assert "this is not Hollow Ridge: never within 40 m of its line" in err
    assert "--replace" in err
    assert old == (mine / "profile.yaml").read_bytes()
    code, _, _ = coach("survey", elsewhere, "-o", mine, "--circuit", "Elsewhere", "--replace")
    assert 0 == code
    assert "Elsewhere" == load_plan(mine).circuit
    assert old == (mine / "profile.1.yaml").read_bytes()
    assert (mine / "reference.1.arrow").is_file()


def test_the_shipped_profile_is_copied_on_its_first_edit() -> None:
    """The file that ships stays as it is; the copy is what its name means from then on."""
    from coach.app.edit.profile_edits import ProfileEdits

    shipped = profile_paths()["hollow_ridge"]
    before = (shipped / "profile.yaml").read_bytes()
    edits = ProfileEdits("hollow_ridge")
    assert is_shipped(edits.path)
    assert edits.put(0, ("say",), "the first one")
    assert not added_folder().exists(), "nothing is written before the save"
    edits.save()
    assert before == (shipped / "profile.yaml").read_bytes()
    assert added_folder() / "hollow_ridge" / "profile.yaml" == edits.path
    assert "the first one" == load_plan("hollow_ridge").corners[0].say
    edits.put(0, ("say",), "again")
    edits.save()
    assert "again" == load_plan("hollow_ridge").corners[0].say


def test_a_survey_onto_the_shipped_profile_writes_the_copy(coach: Coach, recorded: Path) -> None:
    """-o with the shipped folder: the copy is refreshed, the shipped files stay."""
    shipped = profile_paths()["hollow_ridge"]
    before = {p.name: p.read_bytes() for p in shipped.iterdir() if p.is_file()}
    code, out, _ = coach("survey", recorded, "-o", shipped, "--replace")
    assert 0 == code
    assert before == {p.name: p.read_bytes() for p in shipped.iterdir() if p.is_file()}
    assert f"written: {added_folder() / 'hollow_ridge' / 'profile.yaml'}" in out


def test_a_session_of_another_circuit_is_refused_by_name(
    coach: Coach, recorded: Path, profile: Path, tmp_path: Path
) -> None:
    """Debrief and replay end with 2 and name the profile of this machine that fits; the other direction likewise."""
    shutil.copytree(profile, added_folder() / "mine")
    reader = SessionReader(recorded)
    other, back = tmp_path / "other", tmp_path / "back"
    columns = reader.columns()
    store(other, reader.header, columns)
    wrong = tmp_path / "wrong"
    shutil.copytree(profile, wrong)
    reference = read_reference(wrong / "reference.arrow")
    write_reference(wrong / "reference.arrow", dataclasses.replace(reference, x_m=reference.x_m + 9000.0))
    turned = Columns(columns.data[:, ::-1].copy())
    turned["t_s"][:] = turned["t_s"][0] - turned["t_s"]
    turned["lap"][:] = turned["lap_distance_m"][:] = float("nan")
    store(back, reader.header, turned)
    for command in ("debrief", "replay"):
        code, _, err = coach(command, other, "--profile", wrong)
        assert 2 == code
        assert "this is not Hollow Ridge: never within 40 m of its line" in err
        assert "Hollow Ridge fits: --profile " in err
        code, _, err = coach(command, back, "--profile", profile)
        assert 2 == code
        assert "this is Hollow Ridge in the reversed direction" in err


@pytest.mark.parametrize(("answer", "laps"), [(True, 3), (False, 0)])
def test_a_profile_is_offered_at_a_terminal(monkeypatch: pytest.MonkeyPatch, answer: bool, laps: int) -> None:
    """A person is asked; the option needs no question, and no question is asked where nobody looks."""
    from coach.cli.usage import laps_to_survey

    assert 0 == laps_to_survey(None)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setattr("typer.confirm", lambda question, default: answer)
    assert laps == laps_to_survey(None)
    assert 5 == laps_to_survey(5)


def test_another_car_is_no_car_without_faults(coach: Coach, recorded: Path, profile: Path, tmp_path: Path) -> None:
    """Laps far from the reference's pace are called that: never that nothing stands out."""
    mine = tmp_path / "mine"
    shutil.copytree(profile, mine)
    reference = read_reference(mine / "reference.arrow")
    fast = dataclasses.replace(
        reference, t_s=reference.t_s * 0.7, lap_time_s=reference.lap_time_s * 0.7, speed_mps=reference.speed_mps / 0.7
    )
    write_reference(mine / "reference.arrow", fast)
    code, out, _ = coach("debrief", recorded, "--profile", mine)
    assert 0 == code
    assert "slower than the reference: another car" in out
    assert "nothing stands out" not in out
