"""Saving keeps what a person wrote: comments, order, spacing; and never destroys a file."""

from __future__ import annotations

import difflib
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from profile_examples import PROFILE

from coach.errors import ProfileError
from coach.profile.models import ProfileModel
from coach.profile.problems import ProfileFileError
from coach.profile.store import read_profile
from coach.profile.yaml_file import YamlFile


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "profile.yaml"
    file.write_text(PROFILE)
    return file


def changed_lines(before: str, after: str) -> tuple[list[str], list[str]]:
    diff = list(difflib.ndiff(before.split("\n"), after.split("\n")))
    return [d[2:] for d in diff if d[0] == "-"], [d[2:] for d in diff if d[0] == "+"]


def test_a_save_without_an_edit_is_byte_identical(path: Path) -> None:
    """Odd spacing, quotes and indents come back as they were."""
    read_profile(path).save()
    assert PROFILE == path.read_text()


def test_an_edit_changes_its_own_line_only(path: Path) -> None:
    """One number edited: one line differs, its trailing comment kept."""
    file = read_profile(path)
    file.tree["corners"][0]["apex_m"] = 231.5
    file.save()
    old = "      apex_m: 230.0   # where the kerb is widest"
    assert ([old], [old.replace("230.0", "231.5")]) == changed_lines(PROFILE, path.read_text())
    assert 231.5 == read_profile(path).model.corners[0].apex_m
    assert file.model == read_profile(path).model


def test_a_new_field_goes_above_the_remarks_that_follow(path: Path) -> None:
    """A field added to a corner does not part the next corner from its comment."""
    file = read_profile(path)
    file.tree["corners"][0]["kept"] = ["apex_m"]
    file.tree["corners"][1]["gear"] = 5
    file.save()
    text = path.read_text()
    assert [] == changed_lines(PROFILE, text)[0]
    assert text.index("marshal's post") < text.index("gear: 5") < text.index("# the end")
    assert text.index("- apex_m") < text.index("# the second one") < text.index("name: Umber")


def test_a_removed_corner_leaves_every_comment_line(path: Path) -> None:
    """Comments that stand alone on a line survive the removal of what stood by them."""
    file = read_profile(path)
    del file.tree["corners"][1]
    file.save()
    for comment in ("# Our circuit", "# the first one", "# the second one, no braking", "# the end"):
        assert comment in path.read_text()
    assert ["Ochre"] == [c.name for c in read_profile(path).model.corners]


def test_crlf_and_bom_survive(path: Path) -> None:
    """A file from another system keeps its line ends and its mark."""
    path.write_bytes(b"\xef\xbb\xbf" + PROFILE.replace("\n", "\r\n").encode())
    file = read_profile(path)
    file.tree["corners"][0]["gear"] = 3
    file.tree["corners"][1]["gear"] = 5
    file.save()
    data = path.read_bytes()
    assert data.startswith(b"\xef\xbb\xbf")
    assert data.count(b"\n") == data.count(b"\r\n")
    assert [3, 5] == [c.gear for c in read_profile(path).model.corners]


def test_a_change_on_disk_is_never_overwritten_silently(path: Path) -> None:
    """Someone else's save since the read refuses ours; force overwrites."""
    file = read_profile(path)
    file.tree["corners"][0]["gear"] = 3
    other = PROFILE.replace("# the end", "# the other end")
    path.write_text(other)
    assert file.changed_on_disk()
    with pytest.raises(ProfileError, match="a change on disk since it was read"):
        file.save()
    assert other == path.read_text()
    file.save(force=True)
    assert 3 == read_profile(path).model.corners[0].gear
    assert not file.changed_on_disk()


def test_a_new_file_does_not_overwrite_one_that_is_there(path: Path) -> None:
    """``YamlFile.new`` makes files, it does not replace them."""
    new = YamlFile.new(path, PROFILE.replace("Umber", "Sienna"), ProfileModel, ProfileFileError)
    with pytest.raises(ProfileError, match="a file already there"):
        new.save()
    assert PROFILE == path.read_text()


@pytest.mark.parametrize("value", [-1.0, "late", None, {"a": 1}, [[1]]])
def test_a_wrong_edit_is_refused_and_the_file_stays(path: Path, value: object) -> None:
    """The error of an edit has the line that the saved file would have; nothing is written."""
    file = read_profile(path)
    file.tree["corners"][0]["turn_in_m"] = value
    with pytest.raises(ProfileError, match=r"profile.yaml:\d+: corners\[Ochre\].turn_in_m"):
        file.save()
    assert PROFILE == path.read_text()
    assert ["profile.yaml"] == os.listdir(path.parent)


@pytest.mark.parametrize("value", [object(), [[]], "deep"])
def test_an_edit_that_is_no_yaml_is_refused(path: Path, value: object) -> None:
    """Objects that YAML can not hold, or lists without end, are an error of ours; nothing is written."""
    if value == "deep":
        endless: list[object] = []
        endless.append(endless)
        value = endless
    file = read_profile(path)
    file.tree["corners"][0]["gear"] = value
    with pytest.raises(ProfileError, match=r"profile.yaml.*expected .*found "):
        file.save()
    assert PROFILE == path.read_text()


def test_a_failing_write_loses_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk in the middle of a save: the old file stands, no temporary file is left."""

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    file = read_profile(path)
    file.tree["corners"][0]["gear"] = 3
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ProfileError, match="cannot be written: No space left"):
        file.save()
    assert PROFILE == path.read_text()
    assert ["profile.yaml"] == os.listdir(path.parent)


def test_a_link_stays_a_link(path: Path, tmp_path: Path) -> None:
    """A profile that is a symbolic link to another place is saved at that place."""
    link = tmp_path / "linked.yaml"
    link.symlink_to(path)
    file = read_profile(link)
    file.tree["corners"][0]["gear"] = 4
    file.save()
    assert link.is_symlink()
    assert 4 == read_profile(path).model.corners[0].gear


comment = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=20)
edits = st.lists(
    st.tuples(
        st.integers(0, 1),
        st.sampled_from(["gear", "apex", "say", "words", "kept", "boards", "limits", "kerbs", "mute", "direction"]),
        st.integers(0, 3),
    ),
    max_size=4,
)
VALUES: dict[str, list[object]] = {
    "gear": [1, 2, 3, 4],
    "apex": ["early", "mid", "late", "mid"],
    "say": ["turn nine", "the long one", "no: really", "# not a comment"],
    "words": [[], ["wait"], ["wait", "more exit"], ["it's \"slow\""]],
    "kept": [[], ["apex_m"], ["apex_m", "gear"], ["end_m"]],
    "boards": [[], [100], [200.0, 100.0], [50]],
    "limits": [{}, {"latest_brake_m": 110}, {"widest_exit_offset_m": 1.5}, {}],
    "kerbs": [{}, {"entry": "use"}, {"exit": "touch"}, {"apex": "avoid", "exit": "use"}],
    "mute": [[], ["gear"], ["apex", "words"], ["brake_late"]],
    "direction": ["left", "right", "left", "right"],
}  # fmt: skip


@settings(max_examples=40)
@given(st.dictionaries(st.integers(0, 40), st.tuples(comment, st.integers(0, 8), st.booleans()), max_size=8), edits)
def test_any_edit_keeps_every_comment_and_every_untouched_line(
    tmp_path_factory: pytest.TempPathFactory,
    remarks: dict[int, tuple[str, int, bool]],
    edit: list[tuple[int, str, int]],
) -> None:
    """Comments sprinkled anywhere survive any edits, and lines of fields not edited stay as they were, in order."""
    lines = PROFILE.split("\n")
    for at, (text, indent, blank) in sorted(remarks.items(), reverse=True):
        lines[at:at] = [" " * indent + "# " + text, *([""] if blank else [])]
    source = "\n".join(lines)
    path = tmp_path_factory.mktemp("save") / "profile.yaml"
    path.write_text(source)
    file = read_profile(path)
    touched = set()
    for corner, field, choice in edit:
        value = VALUES[field][choice]
        if field == "boards" and corner == 1 and value:
            continue  # boards need braking
        file.tree["corners"][corner][field] = value
        touched.add(field)
    file.save()
    after = path.read_text()
    for line in source.split("\n"):
        if line.strip().startswith("#"):
            assert source.split("\n").count(line) <= after.split("\n").count(line)
    starts = tuple(f"{field}:" for field in touched)
    keep = [line for line in source.split("\n") if line.strip() and not line.strip().startswith(starts)]
    rest = iter(after.split("\n"))
    assert [] == [line for line in keep if line not in rest]
    again = read_profile(path)
    assert file.model == again.model
    for corner, field, choice in edit:
        if not any(c == corner and f == field and (c, f, k) != (corner, field, choice) for c, f, k in edit) and not (
            field == "boards" and corner == 1
        ):
            assert VALUES[field][choice] == again.tree["corners"][corner][field]
