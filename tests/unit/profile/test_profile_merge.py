"""A survey merged into a profile: its own numbers refreshed, a person's edits never lost."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from profile_examples import PROFILE

from coach.core.values import Corner
from coach.profile.corner_map import new_profile
from coach.profile.merge import MergeReport, merge_survey
from coach.profile.models import ProfileModel
from coach.profile.problems import ProfileFileError
from coach.profile.store import read_profile
from coach.profile.yaml_file import YamlFile


def corner(name: str, start: float, direction: str = "left", **other: object) -> Corner:
    values: dict[str, object] = {
        "name": name, "direction": direction, "brake_m": start, "turn_in_m": start + 60, "apex_m": start + 90,
        "exit_m": start + 120, "end_m": start + 150, "gear": 3,
    }  # fmt: skip
    return msgspec.convert(values | other, Corner)


FIRST = (corner("Turn 1", 100.0), corner("Turn 2", 400.0, "right"), corner("Turn 3", 700.0))


def made(path: Path) -> YamlFile[ProfileModel]:
    file = new_profile(path / "profile.yaml", "Invented: Ring", 1000.0, FIRST)
    file.save()
    return read_profile(path)


def moved(by: float) -> tuple[Corner, ...]:
    return tuple(
        msgspec.structs.replace(c, **{f: getattr(c, f) + by for f in ("brake_m", "turn_in_m", "apex_m", "exit_m",
                                                                      "end_m")}) for c in FIRST)  # fmt: skip


def test_a_new_profile_gives_the_surveyed_corners_back(tmp_path: Path) -> None:
    """What the survey found is what the profile says, to 0.1 m."""
    file = made(tmp_path)
    assert "Invented: Ring" == file.model.circuit
    assert [(c.name, c.direction, c.brake_m, c.end_m, c.gear) for c in FIRST] == [
        (c.name, c.direction, c.brake_m, c.end_m, c.gear) for c in file.model.to_corners()
    ]


def test_the_same_survey_again_changes_nothing(tmp_path: Path) -> None:
    """A merge of what is known leaves the file byte for byte."""
    file = made(tmp_path)
    before = file.text
    assert MergeReport() == merge_survey(file.tree, FIRST, 1000.0)
    assert before == file.rendered()


def test_unedited_numbers_are_refreshed_and_edits_kept(tmp_path: Path) -> None:
    """Numbers equal to their surveyed twin move; an edited one, a kept one and everything else stay."""
    file = made(tmp_path)
    text = file.text.replace("brake_m: 400.0\n", "brake_m: 395.0  # mine\n", 1).replace("name: Turn 3", "name: Loop")
    text = text.replace("gear: 3\n", "gear: 3\n    kept: [gear]  # always third\n    words: [wait]\n", 1)
    file.path.write_text(text)
    file = read_profile(file.path)
    new = tuple(msgspec.structs.replace(c, gear=4) for c in moved(4.0))
    report = merge_survey(file.tree, new, 1001.0)
    file.save()
    corners = read_profile(file.path).model.corners
    assert [104.0, 395.0, 704.0] == [c.brake_m for c in corners]
    assert [164.0, 464.0, 764.0] == [c.turn_in_m for c in corners]
    assert [3, 4, 4] == [c.gear for c in corners]
    assert ["Turn 1", "Turn 2", "Loop"] == [c.name for c in corners]
    assert ["wait"] == corners[0].words
    assert [("Turn 1", "gear", 3, 4), ("Turn 2", "brake_m", 395.0, 404.0)] == list(report.kept)
    assert 1001.0 == file.model.length_m
    for comment in ("# mine", "# always third", "# Corner profile."):
        assert comment in file.text
    # and again: the edit is still known as an edit, even when the survey once agreed with it
    merge_survey(file.tree, (new[0], msgspec.structs.replace(new[1], brake_m=395.0), new[2]), 1001.0)
    report = merge_survey(file.tree, new, 1001.0)
    assert 395.0 == file.check().corners[1].brake_m


def test_new_corners_are_added_in_order_and_vanished_ones_stay(tmp_path: Path) -> None:
    """A corner found anew stands in its place with a free name; one not found again is kept and named."""
    file = made(tmp_path)
    found = (FIRST[0], corner("Turn 2", 270.0, "right", end_m=400.0, exit_m=390.0), FIRST[2])
    report = merge_survey(file.tree, (*found[:2], corner("Turn 9", 860.0, end_m=1000.0), found[2]), 1000.0)
    file.save()
    assert ["Turn 1", "Turn 2 (2)", "Turn 2", "Turn 3", "Turn 9"] == [c.name for c in file.model.corners]
    assert (("Turn 2 (2)", "Turn 9"), ("Turn 2",)) == (report.added, report.vanished)


def test_what_would_break_the_profile_is_refused_by_name(tmp_path: Path) -> None:
    """Numbers that cross a person's limit, order or neighbour leave that corner as it was."""
    file = made(tmp_path)
    text = file.text.replace("    gear: 3\n", "    gear: 3\n    limits: {latest_brake_m: 102}\n", 1)
    text = text.replace("turn_in_m: 460.0\n", "turn_in_m: 455.0\n", 1)
    file.path.write_text(text)
    file = read_profile(file.path)
    first, second, third = moved(6.0)
    second = msgspec.structs.replace(second, brake_m=458.0)
    overlapping = corner("Turn 4", 800.0, "right")
    report = merge_survey(file.tree, (first, second, third, overlapping), 1000.0)
    assert ["Turn 1", "Turn 2", "Turn 4"] == [name for name, _ in report.refused]
    assert "limits.latest_brake_m: expected 106 (brake_m) to" in report.refused[0][1]
    assert "turn_in_m: expected 458 (brake_m) or more, found 455" == report.refused[1][1]
    assert "would overlap Turn 3" == report.refused[2][1]
    file.save()
    assert [100.0, 400.0, 706.0] == [c.brake_m for c in file.model.corners]


def test_a_profile_written_by_hand_is_never_changed(tmp_path: Path) -> None:
    """Corners without surveyed numbers belong to the person, wholly: only what the survey found is put below them."""
    path = tmp_path / "profile.yaml"
    path.write_text(PROFILE)
    file = read_profile(path)
    found = (
        corner("x", 103.0, turn_in_m=190.0, apex_m=225.0, end_m=280.0, exit_m=260.0),
        corner("y", 480.0, "right", turn_in_m=490.0, apex_m=525.0, exit_m=550.0, end_m=590.0),
    )
    report = merge_survey(file.tree, found, 1000.0)
    body = PROFILE.removesuffix("# the end\n")
    assert file.rendered().startswith(body + "last_survey:\n")
    assert file.rendered().endswith("}\n# the end\n")
    assert () == report.vanished
    assert {("Ochre", 5), ("Umber", 6)} == {(name, sum(k[0] == name for k in report.kept)) for name, *_ in report.kept}
    report = merge_survey(file.tree, found[:1], 1000.0)
    assert ("Umber",) == report.vanished


def test_corners_match_over_the_line(tmp_path: Path) -> None:
    """A corner that the survey once counted before the line and once after it is the same corner."""
    file = new_profile(tmp_path / "profile.yaml", "Ring", 1000.0, [corner("Turn 1", 900.0)])
    report = merge_survey(file.tree, [corner("Turn 1", 902.0)], 1000.0)
    assert (("Turn 1",) * 5, ()) == (tuple(r[0] for r in report.refreshed), report.added)


def without(file: YamlFile[ProfileModel], name: str) -> YamlFile[ProfileModel]:
    """The profile as a person leaves it who takes a corner's lines out of the file."""
    lines = file.path.read_text().split("\n")
    start = lines.index(f"  - name: {name}")
    ends = (i for i in range(start + 1, len(lines)) if not lines[i].startswith("    "))
    del lines[start : next(ends)]
    file.path.write_text("\n".join(lines))
    return read_profile(file.path)


def test_a_deleted_corner_stays_out_of_every_later_survey(tmp_path: Path) -> None:
    """What a person deleted is not added again, even when one survey missed it in between, until its line is taken."""
    file = without(made(tmp_path), "Turn 2")
    before = file.text
    for found in (moved(3.0), (FIRST[0], FIRST[2]), moved(-2.0)):
        report = merge_survey(file.tree, found, 1000.0)
        assert ((), ()) == (report.added, report.vanished)
        assert ((("right", found[1].apex_m),) if len(found) == 3 else ()) == report.left_out
        file.save()
        file = read_profile(file.path)
        assert ["Turn 1", "Turn 3"] == [c.name for c in file.model.corners]
    merge_survey(file.tree, FIRST, 1000.0)
    assert before == file.rendered()
    text = file.path.read_text()
    line = next(x for x in text.split("\n") if "direction: right, turn_in_m: 458" in x)
    file.path.write_text(text.replace(line + "\n", ""))
    file = read_profile(file.path)
    assert ("Turn 2",) == merge_survey(file.tree, FIRST, 1000.0).added


def test_a_deleted_neighbour_gives_its_numbers_to_nobody(tmp_path: Path) -> None:
    """A deleted corner that is found again is not taken for the corner of the same direction close to it."""
    near = corner("Turn 2", 260.0, end_m=330.0, exit_m=325.0, turn_in_m=270.0, apex_m=300.0)
    close = corner("Turn 3", 330.0, end_m=390.0, exit_m=380.0, turn_in_m=335.0, apex_m=350.0)
    file = new_profile(tmp_path / "profile.yaml", "Ring", 1000.0, [FIRST[0], near, close])
    file.save()
    file = without(read_profile(file.path), "Turn 3")
    report = merge_survey(file.tree, [FIRST[0], close], 1000.0)
    assert (("left", 350.0),) == report.left_out
    assert ((), ("Turn 2",)) == (report.refreshed, report.vanished)


def test_a_corner_without_room_is_not_counted_as_deleted(tmp_path: Path) -> None:
    """A new corner that was refused because it overlaps comes in when there is room for it."""
    file = made(tmp_path)
    report = merge_survey(file.tree, (*FIRST, corner("Turn 4", 800.0, "right")), 1000.0)
    assert ["Turn 4"] == [name for name, _ in report.refused]
    report = merge_survey(file.tree, (*FIRST, corner("Turn 4", 852.0, "right", end_m=1000.0)), 1000.0)
    assert (("Turn 4",), ()) == (report.added, report.left_out)


place = st.floats(0, 30).map(lambda v: round(v, 1))


@settings(max_examples=12)
@given(st.data())
def test_edits_survive_any_series_of_surveys(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """However surveys scatter: every edit made between them, every name and comment is there at the end."""
    file = new_profile(tmp_path_factory.mktemp("merge") / "profile.yaml", "Ring", 1000.0, FIRST)
    edits: dict[tuple[int, str], float] = {}
    remarks = []
    for round_ in range(data.draw(st.integers(1, 2))):
        i = data.draw(st.integers(0, 2))
        field = data.draw(st.sampled_from(["brake_m", "turn_in_m", "apex_m", "exit_m", "end_m"]))
        base = getattr(FIRST[i], field)
        value = base + data.draw(st.floats(-9, 9).map(lambda v: round(v, 1)).filter(lambda v: v != 0))
        if file.tree["corners"][i][field] != value:
            file.tree["corners"][i][field] = value
            edits[i, field] = value
        remark = f"# remark {round_}"
        file = YamlFile.new(file.path, file.rendered().replace("corners:", f"{remark}\ncorners:", 1), ProfileModel,
                            ProfileFileError)  # fmt: skip
        remarks.append(remark)
        found = [c for c in moved(data.draw(st.floats(-9, 9))) if data.draw(st.integers(0, 4))]
        merge_survey(file.tree, found, 1000.0)
        model = file.check()
        assert ["Turn 1", "Turn 2", "Turn 3"] == [c.name for c in model.corners]
    for (i, field), value in edits.items():
        assert value == getattr(model.corners[i], field)
    assert all(remark in file.rendered() for remark in remarks)
