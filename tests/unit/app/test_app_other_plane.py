"""A session whose plane has another origin than its profile: everything sees the same laps."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest
from app_bench_setup import SAMPLES

from coach.app.edit.editing import ProfileDesk
from coach.app.replay.check import check_session
from coach.app.replay.replaying import replay_session
from coach.app.rerun.rerun import on_plane_of
from coach.app.review.session_review import SessionReview
from coach.core.columns import Columns
from coach.profile.reference_file import read_reference, write_reference
from coach.session.header import Header
from coach.session.reader import SessionReader, store

HERE, THERE = (50.0, 8.0), (50.01, 7.99)
LAPS = [1, 2, 3, 4]


@pytest.fixture(scope="module")
def other(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A session on the plane around THERE, and the profile of its circuit on the plane around HERE."""
    folder = tmp_path_factory.mktemp("planes")
    sample, profile = SAMPLES / "race", folder / "profile"
    shutil.copytree(SAMPLES.parent / "profiles" / "hollow_ridge", profile)
    reference = replace(read_reference(profile / "reference.arrow"), origin_lat_deg=HERE[0], origin_lon_deg=HERE[1])
    write_reference(profile / "reference.arrow", reference)
    reader = SessionReader(sample)
    home = msgspec.structs.replace(reader.header, origin_lat_deg=HERE[0], origin_lon_deg=HERE[1])
    away = replace(reference, origin_lat_deg=THERE[0], origin_lon_deg=THERE[1])
    columns = Columns.join(list(on_plane_of(away, home, reader.batches())))
    header = Header(session="away", started_at="", feed="import", origin_lat_deg=THERE[0], origin_lon_deg=THERE[1])
    store(folder / "session", header, columns)
    return folder / "session", profile


def looked(session: Path, profile: Path) -> list[int]:
    return [lap.lap for lap in SessionReview(session, profile).debrief.laps if lap.valid]


def edited(session: Path, profile: Path) -> list[int]:
    result = ProfileDesk(profile, session).result
    assert result is not None
    return [lap.lap for lap in result.events.laps if lap.valid]


def replayed(session: Path, profile: Path) -> list[int]:
    return [lap.lap for lap in replay_session(session, "max", profile, None, None, False, False).laps if lap.valid]


@pytest.mark.parametrize("laps_of", [looked, edited, replayed])
def test_the_laps_are_found(other: tuple[Path, Path], laps_of: Callable[[Path, Path], list[int]]) -> None:
    """Debrief, editor and replay carry the positions over: all laps are there and count."""
    assert LAPS == laps_of(*other)


def test_expectations_are_checked_on_the_profiles_plane(other: tuple[Path, Path], tmp_path: Path) -> None:
    """So does coach check, for a session that holds such a profile."""
    session, profile = other
    shutil.copytree(session, tmp_path / "s")
    shutil.copytree(profile, tmp_path / "s", dirs_exist_ok=True)
    (tmp_path / "s" / "expect.yaml").write_text(
        "schema: 1\nexpect:\n  - {corner: Quarry, found: brake_early, times: 3}\n", encoding="utf-8"
    )
    assert [] == check_session(tmp_path / "s").failures
