from __future__ import annotations

import shutil
from pathlib import Path

import msgspec
import pytest

from coach.core.columns import Columns
from coach.errors import SessionError
from coach.session.header import MIGRATIONS, PROFILE_FILE, SCHEMA, Header, migrate
from coach.session.reader import SessionReader, store
from feeds.frame import Frame

FROZEN = Path(__file__).parent / "samples" / "schema_1"


def test_steps_lead_from_every_schema_to_the_present_one() -> None:
    """Each step says what it takes and makes; from 1 on there is exactly one way to the present schema."""
    assert [(n, n + 1) for n in range(1, SCHEMA)] == [(m.takes, m.makes) for m in MIGRATIONS]
    assert all(m.what for m in MIGRATIONS)


def test_a_session_of_schema_1_is_read() -> None:
    """A session that was frozen when 1 was the present schema reads whole; what was changed is said."""
    reader = SessionReader(FROZEN)
    assert SCHEMA == reader.header.schema
    assert 0.1 == reader.header.latency_s
    assert ("frozen", "nmea", {"brake later": 0.62}) == (
        reader.header.session,
        reader.header.feed,
        reader.header.voice_durations,
    )
    assert [MIGRATIONS[0].what] == list(reader.migrated)
    assert 191 == len(reader.columns())
    assert (1, 1) == (len(reader.decisions()), len(reader.laps()))
    assert reader.tail() == ""


def test_reading_does_not_change_the_files(tmp_path: Path) -> None:
    """Migration happens on reading; the old session stays as it is."""
    shutil.copytree(FROZEN, tmp_path / "s")
    before = (tmp_path / "s" / "header.json").read_bytes()
    SessionReader(tmp_path / "s").columns()
    assert before == (tmp_path / "s" / "header.json").read_bytes()


def test_a_migration_does_not_change_its_argument() -> None:
    """The fields that were read stay what they were."""
    fields = msgspec.json.decode((FROZEN / "header.json").read_bytes())
    copy = dict(fields)
    fresh, said = migrate(fields, Path("x"))
    assert copy == fields
    assert (SCHEMA, 1) == (fresh["schema"], len(said))


def test_present_sessions_need_no_migration(tmp_path: Path) -> None:
    """A session of today is read without a change."""
    columns = Columns.of([Frame(i / 10, x_m=i, y_m=0.0) for i in range(10)])
    store(tmp_path / "s", Header(session="s", started_at="", feed="import"), columns, copies={PROFILE_FILE: b"a: 1\n"})
    reader = SessionReader(tmp_path / "s")
    assert () == reader.migrated
    assert 10 == len(reader.columns())
    assert reader.header.ended
    assert ([], []) == (reader.decisions(), reader.laps())
    with pytest.raises(SessionError, match="holds a session already"):
        store(tmp_path / "s", Header(session="s", started_at="", feed="import"), columns)
    (tmp_path / "file").write_text("")
    with pytest.raises(SessionError, match="cannot be stored here"):
        store(tmp_path / "file" / "s", Header(session="s", started_at="", feed="import"), columns)
