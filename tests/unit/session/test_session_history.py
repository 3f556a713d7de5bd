from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from coach.core.values import Finding
from coach.errors import SessionError
from coach.session.history import MIGRATIONS, CueRow, History, LapRow, PassRow, SessionInfo

FOUND = (Finding("brake_early", 12.0, "m", 0.2),)


def info(name: str = "a", started: str = "2026-01-02T10:00:00+00:00", driver: str = "ada") -> SessionInfo:
    return SessionInfo(name, started, "Hollow Ridge", driver, "", 3990.0, 90.8)


def fill(history: History, about: SessionInfo, best: float = 92.0) -> int:
    laps = [LapRow(1, best + 1.0, 2.0, True), LapRow(2, best, 1.0, True), LapRow(3, best - 5.0, None, False)]
    passes = [PassRow(lap, "Quarry", 0, 0.2, 0.1, True, 170.0, 25.0, FOUND if lap < 3 else ()) for lap in (1, 2, 3)]
    passes.append(PassRow(2, "Gorse", 1, 0.0, 0.0, False))
    cue = CueRow(2, "Quarry", 100.0, "brake_early", "correction", "brake_early", "brake later", "brake later", True, "",
                 True)  # fmt: skip
    held = CueRow(3, "Quarry", 190.0, "brake_early", "correction", "brake_early", "brake later", "brake later", False,
                  "inside the band", True)  # fmt: skip
    return history.keep(about, laps, passes, [cue, held])


def test_what_is_kept_is_found(tmp_path: Path) -> None:
    """Sessions, best valid laps, corners with their faults, passes and cues come back as they were."""
    with History(tmp_path / "deep" / "history.sqlite3") as history:
        number = fill(history, info())
        assert [("Hollow Ridge", 1)] == history.circuits()
        (session,) = history.sessions("Hollow Ridge")
        assert (number, 3, 92.0) == (session.id, session.laps, session.best_s)
        assert [92.0, 93.0] == [t for t, _, _ in history.best_laps("Hollow Ridge")]
        (quarry,) = history.corners(number)
        assert ("Quarry", 3) == (quarry.corner, quarry.passes)
        assert 0.3 == pytest.approx(quarry.loss_s)
        assert ["brake_early"] == list(quarry.faults)
        assert (2, 0.2) == pytest.approx(quarry.faults["brake_early"])
        assert [{"brake_early": 0.2}, {"brake_early": 0.2}, {}] == [t.costs for t in history.pass_costs("Hollow Ridge")]
        (cue,) = history.said("Hollow Ridge")
        assert ("brake_early", True, 2) == (cue.fault, cue.spoken, cue.lap)


def test_a_session_looked_at_again_is_kept_once(tmp_path: Path) -> None:
    """The same session replaces itself with all that belongs to it; another start is another session."""
    path = tmp_path / "history.sqlite3"
    with History(path) as history:
        fill(history, info())
        fill(history, info(), best=91.0)
        fill(history, info(started="2026-01-03T10:00:00+00:00"))
        assert [91.0, 92.0] == [s.best_s for s in history.sessions("Hollow Ridge")]
    database = sqlite3.connect(path)
    try:
        assert (6,) == database.execute("SELECT count(*) FROM lap").fetchone()
        assert (4,) == database.execute("SELECT count(*) FROM cue").fetchone()
    finally:
        database.close()


def test_drivers_are_kept_apart(tmp_path: Path) -> None:
    """A driver's history holds nothing of another's."""
    with History(tmp_path / "h") as history:
        fill(history, info("a", driver="ada"), best=90.0)
        fill(history, info("b", driver="ben"), best=95.0)
        assert [95.0, 96.0] == [t for t, _, _ in history.best_laps("Hollow Ridge", "ben")]
        assert 2 == len(history.said("Hollow Ridge"))
        assert 1 == len(history.said("Hollow Ridge", "ada"))


def test_a_failed_write_leaves_what_was(tmp_path: Path) -> None:
    """A session that cannot be written whole is not written at all."""
    with History(tmp_path / "h") as history:
        fill(history, info())
        twice = [LapRow(1, 90.0, 0.0, True), LapRow(1, 91.0, 0.0, True)]
        with pytest.raises(SessionError, match="history cannot be used"):
            history.keep(info(), twice, [], [])
        assert [92.0] == [s.best_s for s in history.sessions("Hollow Ridge")]


def test_version_is_counted_and_a_newer_file_is_left_alone(tmp_path: Path) -> None:
    """The file knows its schema; one of a newer coach is refused and not a byte of it changes."""
    path = tmp_path / "h"
    History(path).close()
    database = sqlite3.connect(path)
    assert (len(MIGRATIONS),) == database.execute("PRAGMA user_version").fetchone()
    database.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    database.close()
    before = path.read_bytes()
    with pytest.raises(SessionError, match="newer coach"):
        History(path)
    assert before == path.read_bytes()


def test_opening_again_changes_nothing(tmp_path: Path) -> None:
    """A file that is up to date is migrated no further."""
    path = tmp_path / "h"
    with History(path) as history:
        fill(history, info())
    with History(path) as history:
        assert 1 == len(history.sessions("Hollow Ridge"))


def test_what_is_no_history_is_refused(tmp_path: Path) -> None:
    """Neither a text file, nor another program's database, nor a folder is taken for a history."""
    text = tmp_path / "text"
    text.write_text("not a database, but long enough to be looked at as one " * 20, encoding="utf-8")
    other = tmp_path / "other"
    database = sqlite3.connect(other)
    database.execute("CREATE TABLE songs (name TEXT)")
    database.commit()
    database.close()
    for path in (text, other, tmp_path):
        with pytest.raises(SessionError) as caught:
            History(path)
        assert caught.value.place == str(path)
        assert "\n" not in str(caught.value)
