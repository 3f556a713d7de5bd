"""Profile and rules edited while driving: taken up at the next straight, refused with their error, replayed alike."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from app_bench_setup import SAMPLES

from coach.app.live.live_edit import LiveEdits
from coach.app.replay.replaying import replay_session
from coach.app.rerun.plan_changes import cut_at, plan_changes, plan_files
from coach.app.setup import session_setup
from coach.core.columns import Columns
from coach.core.pipeline import Events
from coach.errors import SessionError
from coach.profile.language_file import in_words, load_language
from coach.profile.rule_files import rule_paths
from coach.session.header import Header
from coach.session.log import decision_line
from coach.session.reader import SessionReader
from coach.session.writer import SessionWriter

LIMIT_S = 20.0


def lengths(texts: list[str], _: object) -> dict[str, float]:
    """Every phrase takes a second."""
    return dict.fromkeys(texts, 1.0)


def until(true: Callable[[], object]) -> None:
    """Wait for something that another thread does."""
    deadline = time.monotonic() + LIMIT_S
    while not true():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.01)


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """A folder with a profile, its reference and rules of its own."""
    for name in ("profile.yaml", "reference.arrow", "rules.yaml"):
        shutil.copy(SAMPLES / "first_laps" / name, tmp_path)
    return tmp_path


def edit(path: Path, old: str, new: str) -> None:
    """Change a file as an editor does."""
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_an_edit_is_checked_and_handed_over_once(plan: Path, tmp_path: Path) -> None:
    """A right edit gives corners, rules and lengths, is kept in the session, and can be taken once; a wrong one is said
    with its line and not handed over; undone, nothing happens; fixed, it applies.
    """
    said: list[str] = []
    session = tmp_path / "session"
    session.mkdir()
    setup = session_setup(SessionReader(SAMPLES / "first_laps"), None, None)
    pipeline = setup.pipeline()
    edits = LiveEdits(plan / "profile.yaml", plan / "rules.yaml", lengths, said.append, session, poll_s=0.02)
    try:
        assert not edits.hand_over(pipeline, 0, 0.0, None)
        edit(plan / "profile.yaml", "gear: 2", "gear: 12")
        until(lambda: said)
        assert "profile.yaml:" in said[0]
        assert "the edit is not used" in said[0]
        assert not edits.hand_over(pipeline, 5, 0.0, None)
        assert setup.corners == pipeline.corners
        edit(plan / "profile.yaml", "gear: 12", "gear: 4")
        until(lambda: edits.hand_over(pipeline, 5, 0.0, None))
        assert 4 == pipeline.corners[0].gear
        assert not edits.hand_over(pipeline, 6, 0.0, None)
        profile, rules, phrases = plan_files(session, 2)
        assert profile.read_bytes() == (plan / "profile.yaml").read_bytes()
        assert rules.read_bytes() == (plan / "rules.yaml").read_bytes()
        assert phrases.is_file()
    finally:
        edits.close()


def test_another_reference_waits_for_the_next_start(plan: Path) -> None:
    """Positions would no longer mean what was recorded: it is said, and not used."""
    said: list[str] = []
    pipeline = session_setup(SessionReader(SAMPLES / "first_laps"), None, None).pipeline()
    edits = LiveEdits(plan / "profile.yaml", plan / "rules.yaml", lengths, said.append, poll_s=0.02)
    try:
        other = (plan / "reference.arrow").read_bytes() + b"\0"
        (plan / "reference.arrow").write_bytes(other)
        edit(plan / "profile.yaml", "gear: 2", "gear: 3")
        until(lambda: said)
        assert "reference" in said[0]
        assert not edits.hand_over(pipeline, 0, 0.0, None)
    finally:
        edits.close()


def test_a_run_with_an_edit_is_replayed_with_it(plan: Path, tmp_path: Path) -> None:
    """Corners muted in the middle of a run: silent from the next straight on, recorded, and the replay gives the live
    decisions line for line; with other rules given, the edits of the run are left out."""
    folder = tmp_path / "recorded"
    source = SessionReader(SAMPLES / "first_laps")
    setup = session_setup(source, plan / "profile.yaml", plan / "rules.yaml")
    copies: dict[str, Path | bytes] = {n: plan / n for n in ("profile.yaml", "reference.arrow", "rules.yaml")}
    header = Header(session="x", started_at="", feed="test", voice_durations=dict(setup.durations))
    writer = SessionWriter(folder, header, copies)
    pipeline = setup.pipeline()
    edits = LiveEdits(plan / "profile.yaml", plan / "rules.yaml", lengths, lambda _: None, folder, poll_s=0.02)
    live = Events()
    frames, edited_at = 0, 0.0
    try:
        for batch in source.batches(17):
            if frames and not edited_at and frames > 3000:
                text = (plan / "rules.yaml").read_text(encoding="utf-8")
                (plan / "rules.yaml").write_text(text.replace("cues_per_lap: 24", "cues_per_lap: 0"), encoding="utf-8")
                until(lambda n=frames: edits.hand_over(pipeline, n, pipeline.now_s, writer))  # type: ignore[misc]
                edited_at = pipeline.now_s
            live.add(pipeline.push_columns(batch))
            writer.frames(batch)
            frames += len(batch)
        live.add(pipeline.finish())
    finally:
        edits.close()
        writer.close()
    spoken = [d for d in live.decisions if d.outcome == "spoken" and not d.safety]
    assert any(d.t_s < edited_at for d in spoken)
    assert not any(d.t_s > edited_at + 30.0 for d in spoken)
    again = replay_session(folder, "max", None, None, None, False, False)
    assert [decision_line(d) for d in live.decisions] == [decision_line(d) for d in again.decisions]
    other = replay_session(folder, "max", None, str(plan / "rules.yaml"), None, False, False)
    assert not any(d.outcome == "spoken" and not d.safety for d in other.decisions)


def test_a_session_that_lost_its_edit_says_so(tmp_path: Path) -> None:
    """Without the files of a recorded edit the replay is refused, naming the file."""
    session = Path(shutil.copytree(SAMPLES / "race", tmp_path / "race"))
    with (session / "events.jsonl").open("ab") as events:
        events.write(b'{"kind": "plan", "t_s": 1.0, "number": 2, "after_frames": 9}\n')
    with pytest.raises(SessionError, match=r"phrases\.2\.json"):
        plan_changes(SessionReader(session))


def test_batches_are_cut_where_a_change_was_made() -> None:
    """The parts are the whole, each with the number of frames before it."""
    parts = list(cut_at([Columns.empty(5), Columns.empty(4)], [0, 3, 5, 7, 99]))
    assert [(0, 3), (3, 2), (5, 2), (7, 2)] == [(before, len(part)) for before, part in parts]


def test_another_rule_file_is_taken_up_as_an_edit(plan: Path, tmp_path: Path) -> None:
    """The next cue set: checked, its phrases made ready, kept in the session, handed over; back again too."""
    session = tmp_path / "session"
    session.mkdir()
    pipeline = session_setup(SessionReader(SAMPLES / "first_laps"), None, None).pipeline()
    edits = LiveEdits(plan / "profile.yaml", plan / "rules.yaml", lengths, lambda _: None, session, poll_s=0.02)
    try:
        edits.choose_rules(rule_paths()["ask"])
        until(lambda: edits.hand_over(pipeline, 5, 0.0, None))
        assert "ask" == pipeline.cue_engine.rules.name
        kept = in_words(rule_paths()["ask"].read_bytes(), load_language("en"))
        assert kept == plan_files(session, 2)[1].read_bytes()
        edits.choose_rules(plan / "rules.yaml")
        until(lambda: edits.hand_over(pipeline, 9, 0.0, None))
        assert "first laps" == pipeline.cue_engine.rules.name
    finally:
        edits.close()
