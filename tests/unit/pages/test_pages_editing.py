from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pages_shared import ROOT, SESSION

from coach.app.edit.editing import ProfileDesk
from coach.app.edit.new_corner import NoRoomError
from coach.app.replay.timeline import marked, sentence
from coach.app.rerun.rerun import rerun
from coach.core.values import Decision
from coach.errors import ProfileError
from coach.pages.editor.form import lines, number, numbers, shown
from coach.profile.store import read_profile


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    shutil.copytree(ROOT / "profiles" / "hollow_ridge", tmp_path / "profile")
    return tmp_path / "profile" / "profile.yaml"


@pytest.fixture
def desk(profile: Path) -> ProfileDesk:
    return ProfileDesk(profile)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("brake_m",), 171.5),
        (("say",), "the quarry"),
        (("boards",), [200, 150, 100]),
        (("kerbs", "exit"), "use"),
        (("kerbs", "apex_m"), [300.0, 330.0]),
        (("limits", "latest_brake_m"), None),
        (("words",), ["release slowly"]),
        (("mute",), ["brake_early"]),
        (("cautions",), [{"kind": "bump", "at_m": 300.0, "words": "bump", "safety": True}]),
        (("cautions",), []),
        (("gear",), None),
    ],
)
def test_an_edit_is_saved_with_every_comment(
    desk: ProfileDesk, profile: Path, path: tuple[str, ...], value: Any
) -> None:
    """After an edit of any kind the file says it, every comment is there, and no other corner changed."""
    before = profile.read_text(encoding="utf-8")
    others = read_profile(profile).model.corners[1:]
    assert desk.put(0, path, value)
    assert () == desk.problems
    desk.save()
    assert not desk.changed
    after = profile.read_text(encoding="utf-8")
    assert [x.strip() for x in before.splitlines() if "#" in x] == [x.strip() for x in after.splitlines() if "#" in x]
    again = ProfileDesk(profile)
    assert (value or None) == again.get(0, *path)
    assert others == read_profile(profile).model.corners[1:]


def test_a_kerb_keeps_its_comments_and_goes_when_emptied(desk: ProfileDesk, profile: Path) -> None:
    """Begin and end stand on the line of the kerb; emptied, they leave the file."""
    before = profile.read_text(encoding="utf-8")
    desk.put(0, ("kerbs", "exit_m"), [360, 392])
    desk.save()
    assert "exit_m: [360, 392]" in profile.read_text(encoding="utf-8")
    assert (360.0, 392.0) == desk.corners[0].kerb_exit_m
    desk.put(0, ("kerbs", "exit_m"), [])
    desk.save()
    assert before == profile.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ([392, 360], "expected begin before end, found [392, 360]"),
        ([360], "expected at least 2 entries"),
        ([360, 370, 392], "expected at most 2 entries"),
        (["three", 392], "'three'"),
        ([360, 900], "near the corner"),
    ],
)
def test_a_kerb_that_cannot_be_is_told_at_its_field(desk: ProfileDesk, value: list[Any], told: str) -> None:
    """Begin after end, one or three numbers, text, a place far from the corner: found and expected, not saved."""
    desk.put(0, ("kerbs", "exit_m"), value)
    assert told in desk.problem_at(0, "kerbs", "exit_m")
    assert "" == desk.problem_at(0, "kerbs", "apex_m")
    assert "found" in desk.problem_at(0, "kerbs", "exit_m")
    with pytest.raises(ProfileError):
        desk.save()


def test_the_same_value_is_no_edit(desk: ProfileDesk) -> None:
    """Putting what is there already changes nothing and cannot be undone."""
    assert not desk.put(0, ("brake_m",), desk.get(0, "brake_m"))
    assert "" == desk.undo_label
    assert not desk.changed


def test_problems_are_those_of_the_file(desk: ProfileDesk, profile: Path, tmp_path: Path) -> None:
    """A wrong entry is told in the very words in which the file would be refused, and is not saved."""
    desk.put(0, ("apex_m",), 100.0)
    told = [(p.line, p.field, p.text) for p in desk.problems]
    assert told
    assert "found 100" in desk.problem_at(0, "apex_m")
    assert "" == desk.problem_at(1, "apex_m")
    before = profile.read_bytes()
    with pytest.raises(ProfileError):
        desk.save()
    assert before == profile.read_bytes()
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(desk.file.rendered(), encoding="utf-8")
    with pytest.raises(ProfileError) as caught:
        read_profile(wrong)
    assert told == [(p.line, p.field, p.text) for p in getattr(caught.value, "problems", ())]


def remarks(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if "#" in line]


@pytest.mark.parametrize("corner", [0, 4, 10])
def test_a_corner_is_deleted_with_its_remark_and_nothing_else(desk: ProfileDesk, profile: Path, corner: int) -> None:
    """The first, a middle and the last corner go with the remark above them; every other line of the file stays."""
    before = profile.read_text(encoding="utf-8")
    names = desk.names
    assert desk.remove_corner(corner)
    assert ((), [*names[:corner], *names[corner + 1 :]]) == (desk.problems, desk.names)
    assert desk.names == [c.name for c in desk.corners]
    desk.save()
    after = profile.read_text(encoding="utf-8")
    starts = [i for i, line in enumerate(before.split("\n")) if line.startswith("  # ")] + [len(before.split("\n")) - 1]
    lines = before.split("\n")
    assert lines[: starts[corner]] + lines[starts[corner + 1] :] == after.split("\n")
    assert desk.undo()
    desk.save()
    assert before == profile.read_text(encoding="utf-8")


def test_the_only_corner_can_not_be_deleted(desk: ProfileDesk) -> None:
    """A profile has at least one corner."""
    while len(desk.names) > 1:
        assert desk.remove_corner(0)
    assert not desk.remove_corner(0)
    assert 1 == len(desk.corners)


def test_a_corner_is_added_where_there_is_room(desk: ProfileDesk, profile: Path) -> None:
    """A deleted corner's stretch takes a new one, in its order, turning the right way, braked for where it was."""
    before = profile.read_text(encoding="utf-8")
    old = desk.corners[4]
    desk.remove_corner(4)
    place = desk.suggested_m(3)
    assert old.turn_in_m < place < old.end_m
    assert 4 == desk.add_corner(place)
    new = desk.corners[4]
    assert ((), "New corner", old.direction) == (desk.problems, new.name, new.direction)
    assert new.brake_m == pytest.approx(old.brake_m, abs=5.0)
    assert new.gear == old.gear
    desk.save()
    again = read_profile(profile)
    assert desk.names == [c.name for c in again.model.corners]
    assert again.model.corners[4].surveyed is None
    assert set(remarks(before)) - set(remarks(again.text)) == {remarks(before)[3 + 4]}
    for _ in range(2):
        assert desk.undo()
    assert before == desk.file.rendered()
    assert desk.redo()
    assert desk.redo()
    assert desk.names == [c.name for c in again.model.corners]


def test_a_corner_is_not_added_into_another(desk: ProfileDesk) -> None:
    """A place in a corner or beyond the lap is refused with what is allowed, and nothing is changed."""
    for place, told in (
        (326.0, "expected a place outside every corner ("),
        (5000.0, "expected 0 to 3989"),
        (-1.0, "0 to"),
    ):
        with pytest.raises(NoRoomError) as caught:
            desk.add_corner(place)
        assert told in str(caught.value)
    assert ("", False) == (desk.undo_label, desk.changed)


@pytest.mark.parametrize("place", [0.5, 60.0, 3870.0, 3980.0])
def test_a_corner_on_the_main_straight_is_added_over_the_line(desk: ProfileDesk, place: float) -> None:
    """Wherever on the straight over the line, the new corner is valid and stands in its order."""
    at = desk.add_corner(place)
    assert () == desk.problems
    assert at in (0, 11)
    assert sorted(c.turn_in_m for c in desk.corners) == [c.turn_in_m for c in desk.corners]


def test_adding_and_deleting_while_an_entry_is_wrong(desk: ProfileDesk) -> None:
    """With a wrong entry elsewhere there are still as many corners to draw as names, each with its own."""
    desk.put(0, ("gear",), "twelve")
    desk.remove_corner(2)
    desk.add_corner(desk.suggested_m(5))
    assert desk.problems
    assert desk.names == [c.name for c in desk.corners]
    desk.undo()
    desk.undo()
    assert desk.names == [c.name for c in desk.corners]
    desk.undo()
    assert ((), False) == (desk.problems, desk.changed)


def test_the_last_valid_corners_stay_in_use(desk: ProfileDesk) -> None:
    """While an entry is wrong, map and cues go on with the corners as they last were valid."""
    valid = desk.corners
    desk.put(0, ("gear",), "twelve")
    assert repr(valid) == repr(desk.corners)
    desk.put(0, ("gear",), 3)
    assert 3 == desk.corners[0].gear


EDITS = st.lists(
    st.tuples(
        st.integers(0, 10),
        st.sampled_from(["brake_m", "turn_in_m", "gear", "words", "say", "boards", "name"]),
        st.one_of(
            st.floats(0, 4000).map(lambda v: round(v, 1)), st.sampled_from(["x y", "#1: 'a'", ["late"], None, 4])
        ),
    ),
    min_size=1,
    max_size=3,
)


@settings(max_examples=6)
@given(EDITS)
def test_undo_leads_back_to_the_first_byte(edits: list[tuple[int, str, Any]]) -> None:
    """Whatever was edited, right or wrong, undoing all of it gives the file as it was; redoing all gives it again."""
    desk = ProfileDesk("hollow_ridge")
    first = desk.file.rendered()
    for corner, field, value in edits:
        desk.put(corner, (field,), value)
    last, problems = desk._text, desk.problems
    steps = 0
    while desk.undo():
        steps += 1
    assert first == desk.file.rendered()
    assert () == desk.problems
    assert not desk.changed
    for _ in range(steps):
        assert desk.redo()
    assert not desk.redo()
    assert (last, problems) == (desk._text, desk.problems)


def test_a_change_on_disk_is_never_overwritten_silently(desk: ProfileDesk, profile: Path) -> None:
    """Someone else's save is noticed and refused; forced, mine is written; taken, theirs is there and mine in undo."""
    desk.put(0, ("brake_m",), 171.0)
    theirs = profile.read_text(encoding="utf-8").replace("gear: 2", "gear: 3", 1)
    profile.write_text(theirs, encoding="utf-8")
    assert desk.changed_on_disk()
    with pytest.raises(ProfileError, match="found a change on disk"):
        desk.save()
    assert theirs == profile.read_text(encoding="utf-8")
    desk.take_from_disk()
    assert (3, False) == (desk.get(0, "gear"), desk.changed)
    assert desk.undo()
    assert 171.0 == desk.get(0, "brake_m")
    desk.save(force=True)
    assert 171.0 == ProfileDesk(profile).get(0, "brake_m")


def test_rerun_after_an_edit_is_the_full_rerun(profile: Path) -> None:
    """Measuring only what an edit changed gives the decisions and passes of a full run, edit by edit."""
    desk = ProfileDesk(profile, SESSION)
    assert desk.setup is not None
    edits: list[tuple[int, tuple[str, ...], Any]] = [
        (0, ("brake_m",), 168.0),
        (3, ("mute",), ["slow_middle"]),
        (10, ("end_m",), 3900.0),
        (0, ("direction",), "left"),
    ]
    for corner, path, value in edits:
        desk.put(corner, path, value)
        assert () == desk.problems
        desk.rerun()
        assert desk.result is not None
        assert desk._store.reused > 0
        whole = rerun(desk._batches, desk.setup)
        assert repr(whole.events.decisions) == repr(desk.result.events.decisions)
        assert repr(whole.events.passes) == repr(desk.result.events.passes)
    while desk.undo():
        pass
    desk.rerun()
    assert "" == "".join(row.mark for row in desk.rows())


def test_muting_takes_a_cue_away(profile: Path) -> None:
    """A rule that is muted at a corner is marked as changed there, held back as muted, and nowhere else."""
    desk = ProfileDesk(profile, SESSION)
    spoken = next(
        r.decision for r in desk.rows() if r.decision.outcome == "spoken" and r.decision.family == "correction"
    )
    corner = desk.names.index(spoken.corner)
    desk.put(corner, ("mute",), [spoken.rule])
    desk.rerun()
    mine = [r for r in desk.rows() if (r.decision.corner, r.decision.rule) == (spoken.corner, spoken.rule)]
    assert {"held"} == {r.decision.outcome for r in mine}
    changed = next(r for r in mine if r.decision.lap == spoken.lap)
    assert ("changed", "muted") == (changed.mark, changed.decision.reason)
    assert changed.was.startswith("spoken")
    assert "the profile mutes it" in sentence(changed.decision)


def cue(t: float, lap: int = 1, outcome: str = "spoken", reason: str = "", text: str = "brake later") -> Decision:
    return Decision(t, lap, 100.0, "Quarry", "brake_early", outcome, reason, text, t + 1.0, t + 3.0, "correction",  # type: ignore[arg-type]
                    "brake_early")  # fmt: skip


def test_marks_tell_what_changed() -> None:
    """New, gone, moved, held and unchanged cues are distinguished; one more held cue is not a change."""
    before = [cue(10.0), cue(110.0, 2), cue(210.0, 3), cue(310.0, 4)]
    after = [cue(10.0), cue(110.4, 2), cue(210.0, 3, "held", "no room"), cue(410.0, 5), cue(510.0, 6, "held", "beaten")]
    rows = {r.decision.lap: (r.mark, r.was) for r in marked(before, after)}
    assert {
        1: ("", ""),
        2: ("changed", "now 0.4 s later"),
        3: ("changed", "spoken: brake later"),
        4: ("gone", "spoken: brake later"),
        5: ("new", ""),
        6: ("", ""),
    } == rows


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("", None),
        (" 12 ", 12),
        ("12.5", 12.5),
        ("-3", -3),
        ("12,5", "12,5"),
        ("nan", "nan"),
        ("inf", "inf"),
        ("x", "x"),
    ],
)
def test_what_is_typed_as_a_number(text: str, value: Any) -> None:
    """A number is a number; all else stays as typed, so that the file's own check tells what is wrong."""
    assert value == number(text)
    assert type(value) is type(number(text))


def test_fields_read_back() -> None:
    """Lists and lines are read as they are shown."""
    assert [150, 100, "x"] == numbers("150, 100 x")
    assert ["a b", "c"] == lines(" a b \n\n c ")
    assert ("", "263", "177.4", "mid") == (shown(None), shown(263), shown(177.4), shown("mid"))
