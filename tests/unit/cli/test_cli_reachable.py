from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from coach.core.columns import Columns
from coach.profile.reference_file import read_reference
from coach.session.header import Header
from coach.session.reader import SessionReader
from coach.session.writer import SessionWriter

Coach = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def reachable(recorded: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a profile whose reference is the reachable lap."""
    from coach.app.surveying import survey_session

    return survey_session(
        recorded, tmp_path_factory.mktemp("reach") / "profile", None, "", target="reachable"
    ).profile.parent


def test_the_reachable_lap_is_written_beside_the_driven_one(coach: Coach, recorded: Path, tmp_path: Path) -> None:
    """The profile names the reachable reference; a plain survey afterwards names the driven one again."""
    mine = tmp_path / "mine"
    code, out, _ = coach("survey", recorded, "-o", mine, "--target", "reachable")
    assert 0 == code
    assert "reachable lap 1:" in out
    assert "reference: reachable.arrow" in (mine / "profile.yaml").read_text()
    assert {"profile.yaml", "reachable.arrow", "reference.arrow"} == {p.name for p in mine.iterdir()}
    driven, reachable = (read_reference(mine / name) for name in ("reference.arrow", "reachable.arrow"))
    assert reachable.lap_time_s < driven.lap_time_s
    assert driven.shown is not None
    assert not driven.shown.reachable
    assert 0 == coach("survey", recorded, "-o", mine)[0]
    assert "reference: reference.arrow" in (mine / "profile.yaml").read_text()
    assert driven.lap_time_s == pytest.approx(read_reference(mine / "reference.arrow").lap_time_s, abs=0.01)


def test_the_debrief_ranks_the_headroom(coach: Coach, recorded: Path, reachable: Path) -> None:
    """The corner with the habit leaves the most; parts add up; the use of grip is a share; the page shows it."""
    code, out, _ = coach("debrief", recorded, "--profile", reachable, "--no-keep", "--json")
    assert 0 == code
    done = json.loads(out)
    ranked = done["headroom"]
    assert done["reachable_s"] == pytest.approx(done["reachable_s"])
    assert sorted((h["headroom_s"] for h in ranked), reverse=True) == [h["headroom_s"] for h in ranked]
    for one in ranked:
        assert one["headroom_s"] == pytest.approx(sum(one["parts"].values()), abs=1e-6)
        assert one["low_s"] <= one["headroom_s"] <= one["high_s"]
        assert all(share is None or 0.0 <= share <= 1.3 for share in one["grip_use"].values())
    measures = done["laps"][1]["corners"][1]["measures"]
    assert {f"grip_use_{phase}" for phase in ("braking", "entry", "middle", "exit")} <= set(measures)
    code, out, _ = coach("debrief", recorded, "--profile", reachable, "--no-keep")
    assert "where the next second is" in out


def test_losses_and_headroom_have_headings_of_their_own(coach: Coach, recorded: Path, reachable: Path) -> None:
    """The loss by part of the corner, and the headroom with the use of grip, are two tables."""
    _, out, _ = coach("debrief", recorded, "--profile", reachable, "--no-keep")
    headings = [" ".join(line.split()) for line in out.splitlines() if line.startswith("corner ")]
    assert any(line.startswith("corner lost entry mid-corner exit after trend") for line in headings)
    assert 1 == sum("90 % interval braking entry mid-corner exit " in line for line in headings)
    assert 1 == sum("left in it, s" in line or "at least, s" in line for line in headings)


def test_the_page_shows_the_use_of_grip(coach: Coach, recorded: Path, reachable: Path, tmp_path: Path) -> None:
    """A picture a corner with words beside it; without an envelope the page has no such part."""
    page = tmp_path / "page.html"
    assert 0 == coach("debrief", recorded, "--profile", reachable, "--no-keep", "--html", page)[0]
    text = page.read_text()
    assert "Where the next second is" in text
    assert "share of the car" in text


def test_a_profile_without_an_envelope_has_no_headroom(coach: Coach, recorded: Path) -> None:
    """The profile that ships knows nothing of a driver's car: the debrief says nothing of headroom."""
    code, out, _ = coach("debrief", recorded, "--profile", "hollow_ridge", "--no-keep", "--json")
    assert 0 == code
    assert [] == json.loads(out)["headroom"]


def _without(
    recorded: Path, folder: Path, names: tuple[str, ...], laps: int = 99, real: bool = False, car: str = "",
    faster: float = 1.0,
) -> Path:  # fmt: skip
    columns = SessionReader(recorded).columns()
    kept = Columns(columns.data[:, ~(columns["lap"] > laps)].copy())
    for name in names:
        kept[name][:] = float("nan")
    kept["t_s"][:] /= faster
    kept["speed_mps"][:] *= faster
    started = "2026-01-01T00:00:00+00:00"
    header = Header(session="s", started_at=started, feed="udp", circuit="C", real_car=real, car=car)
    writer = SessionWriter(folder, header)
    writer.frames(kept)
    writer.close()
    return folder


@pytest.mark.parametrize(
    ("names", "laps", "said"),
    [(("x_m", "y_m"), 99, "expected positions"), ((), 2, "3 are needed")],
    ids=["no positions", "too few laps"],
)
def test_what_is_missing_is_said_in_one_line(
    coach: Coach, recorded: Path, tmp_path: Path, names: tuple[str, ...], laps: int, said: str
) -> None:
    """A session that holds too little: one line that says what is missing, exit code 2, no profile."""
    session = _without(recorded, tmp_path / "session", names, laps)
    code, _, err = coach("survey", session, "-o", tmp_path / "p", "--target", "reachable")
    assert 2 == code
    assert said in err
    assert 1 == len(err.strip().splitlines())
    assert not (tmp_path / "p").exists()


def test_pedals_and_speed_are_not_needed(coach: Coach, recorded: Path, tmp_path: Path) -> None:
    """Positions alone do: without speed and pedals there is a reachable lap all the same."""
    session = _without(recorded, tmp_path / "session", ("speed_mps", "throttle", "brake", "gear"))
    code, out, err = coach("survey", session, "-o", tmp_path / "p", "--target", "reachable")
    assert (0, "") == (code, err)
    assert "reachable lap 1:" in out


def test_a_real_car_is_asked_for_less(coach: Coach, recorded: Path, tmp_path: Path) -> None:
    """In a real car the reachable lap keeps to 97 % of what was shown, and says so."""
    session = _without(recorded, tmp_path / "session", (), real=True)
    code, out, _ = coach("survey", session, "-o", tmp_path / "p", "--target", "reachable")
    assert 0 == code
    assert "no more than 97%" in out


def test_another_target_is_refused(coach: Coach, recorded: Path) -> None:
    """A word that is no target: one line with what is allowed, exit code 2."""
    code, _, err = coach("survey", recorded, "--target", "perfect")
    assert 2 == code
    assert "reachable" in err


def test_sessions_with_the_same_car_add_up(coach: Coach, recorded: Path, tmp_path: Path) -> None:
    """Two laps alone show too little; with another session of the same car they do, and the first one is surveyed."""
    few, more = (_without(recorded, tmp_path / n, ("anti_lock",), laps) for n, laps in (("few", 2), ("more", 99)))
    assert 2 == coach("survey", few, "-o", tmp_path / "p", "--target", "reachable")[0]
    code, out, err = coach("survey", few, more, "-o", tmp_path / "p", "--target", "reachable")
    assert (0, "") == (code, err)
    whole = coach("survey", recorded, "-o", tmp_path / "q", "--target", "reachable")[1]
    count = int(whole.split(" laps showed")[0].split()[-1])
    assert count < int(out.split(" laps showed")[0].split()[-1])
    assert "at least that" in out
    alone, both = (read_reference(tmp_path / name / "reachable.arrow").lap_time_s for name in "qp")
    assert alone == pytest.approx(both, rel=0.005)


@pytest.mark.parametrize(
    ("car", "faster", "said"), [("another", 1.0, "'another'"), ("", 1.1, "W/kg")], ids=["name", "power"]
)
def test_mixed_cars_are_refused(
    coach: Coach, recorded: Path, tmp_path: Path, car: str, faster: float, said: str
) -> None:
    """Sessions with different cars, by name or by power: one line that names both, exit code 2, nothing written."""
    mine = _without(recorded, tmp_path / "mine", (), car="ours")
    other = _without(recorded, tmp_path / "other", (), car=car, faster=faster)
    code, _, err = coach("survey", mine, other, "-o", tmp_path / "p", "--target", "reachable")
    assert 2 == code
    assert 1 == len(err.strip().splitlines())
    assert all(word in err for word in ("mixed cars", str(mine), str(other), said))
    assert not (tmp_path / "p").exists()


def test_anti_lock_at_work_proves_the_limit(coach: Coach, recorded: Path, tmp_path: Path) -> None:
    """With anti-lock on under hard braking the reachable lap is no longer a mere least."""
    session = _without(recorded, tmp_path / "session", ())
    columns = SessionReader(session).columns()
    columns["anti_lock"][:] = columns["brake"] > 0.9
    writer = SessionWriter(tmp_path / "locked", Header(session="s", started_at="2026-01-01T00:00:00+00:00", feed="udp"))
    writer.frames(columns)
    writer.close()
    code, out, _ = coach("survey", tmp_path / "locked", "-o", tmp_path / "p", "--target", "reachable")
    assert 0 == code
    assert "reachable lap" in out
    assert "at least that" not in out


def test_the_driver_may_say_that_he_was_at_the_limit(coach: Coach, recorded: Path, tmp_path: Path) -> None:
    """Without anti-lock the lap, the debrief and the page call it a least; with ``--at-limit`` they do not."""
    session = _without(recorded, tmp_path / "session", ("anti_lock",))
    for said, least in (((), True), (("--at-limit",), False)):
        profile, page = tmp_path / f"p{least}", tmp_path / f"p{least}.html"
        code, out, _ = coach("survey", session, "-o", profile, "--target", "reachable", *said)
        assert 0 == code
        assert least == ("at least that" in out)
        debrief = ("debrief", session, "--profile", profile, "--no-keep")
        assert least == json.loads(coach(*debrief, "--json")[1])["reachable_at_least"]
        assert least == ("at least, s" in coach(*debrief)[1])
        assert 0 == coach(*debrief, "--html", page)[0]
        assert least == ("No less than that" in page.read_text())
