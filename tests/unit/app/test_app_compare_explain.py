"""Two logs side by side, and why a corner was spoken to or not."""

from __future__ import annotations

from pathlib import Path

import pytest
from app_bench_setup import held, said
from hypothesis import given
from hypothesis import strategies as st

from coach.app.replay.compare import (
    CompareError,
    ExplainError,
    compare,
    corner_named,
    explain,
    full,
    laps,
    lines,
    short,
    write_full,
)
from coach.core.cue.reasons import MEANING, Reason
from coach.core.values import Corner


def test_each_kind_of_difference() -> None:
    """The comparison distinguishes gained, lost (with its new reason), moved and reworded cues; it omits equal ones;
    and the short form has one line per corner.
    """
    before = [
        said(1), said(2), said(3, s_m=100.0), said(2, "Signal", "gear", "second gear"),
        said(4, "Weir", "apex", "late apex"),
    ]  # fmt: skip
    after = [
        said(1), held("fading", lap=2), said(3, s_m=140.0), said(2, "Signal", "gear", "Signal, second gear"),
        said(4, "Weir", "apex", "late apex", s_m=103.0), said(1, "Beacon", "bump", "bump"),
    ]  # fmt: skip
    found = compare(before, after)
    assert [("gained", 1, "Beacon"), ("lost", 2, "Quarry"), ("reworded", 2, "Signal"), ("moved", 3, "Quarry")] == [
        (d.kind, d.lap, d.corner) for d in found
    ]
    assert ["", "fading", "", ""] == [d.why for d in found]
    assert "lost      lap 2, Quarry, brake_early: 'brake later' at 100 m (fading)" == full(found)[1]
    assert "40 m later" in full(found)[3]
    text = short(found)
    assert "Quarry: lost brake_early in lap 2; moved brake_early in lap 3" in text
    assert "1 gained, 1 lost, 1 moved, 1 reworded" == text[-1]


cues = st.lists(
    st.builds(
        said, st.integers(1, 4), st.sampled_from(["Quarry", "Weir"]), st.sampled_from(["a", "b"]),
        st.sampled_from(["one", "two"]), st.floats(0.0, 500.0),
    ),
    max_size=8,
)  # fmt: skip


@given(cues, cues)
def test_comparing_is_consistent(before: list, after: list) -> None:  # type: ignore[type-arg]
    """A log against itself has no difference; turned round, gained and lost change places; and the counts agree."""
    assert () == compare(before, before)
    there, back = compare(before, after), compare(after, before)
    count = {kind: sum(d.kind == kind for d in there) for kind in ("gained", "lost", "moved", "reworded")}
    assert count["gained"] == sum(d.kind == "lost" for d in back)
    assert len(after) - len(before) == count["gained"] - count["lost"]


def test_the_full_comparison_goes_to_a_file(tmp_path: Path) -> None:
    """One line a difference; a place that cannot be written is one clear error."""
    found = compare([said(1)], [])
    write_full(tmp_path / "all.txt", found)
    assert full(found) == (tmp_path / "all.txt").read_text(encoding="utf-8").splitlines()
    with pytest.raises(CompareError, match=r"no/all\.txt: the comparison cannot be written"):
        write_full(tmp_path / "no" / "all.txt", found)
    assert ["the same cues in both"] == short(())
    assert ("lap 3", "laps 2-4, 7") == (laps([3]), laps([7, 2, 3, 4, 3]))


CORNERS = (
    Corner("Quarry", "left", 1.0, 2.0, 3.0, 4.0, 5.0, say="turn one"),
    Corner("Weir", "left", 1.0, 2.0, 3.0, 4.0, 5.0),
)


def test_every_candidate_of_a_corner_with_its_reason() -> None:
    """All candidates of the corner (of one lap), spoken ones with the time to spare, and what the reasons mean."""
    log = [said(1), held("no room", rule="gear", text="second gear"), held("fading", lap=2), said(1, "Weir")]
    assert 3 == len(explain(log, "Quarry"))
    text = lines(explain(log, "Quarry", 1), "Quarry", 1)
    assert "brake_early" in text[0]
    assert "7.0 s before its action" in text[0]
    assert "no room" in text[1]
    assert f"no room: {MEANING['no room']}" == text[2]
    assert "nothing could have been said" in lines(explain(log, "Weir", 9), "Weir", 9)[0]


def test_a_corner_is_named_as_one_likes() -> None:
    """By its name or as it is said, in any case; an unknown one lists what there is."""
    assert ["Quarry", "Quarry", "Weir"] == [corner_named(n, CORNERS) for n in ("quarry", "Turn One", "WEIR")]
    with pytest.raises(ExplainError, match="expected a corner of this profile, Quarry, Weir; found 'Beacon'"):
        corner_named("Beacon", CORNERS)


def test_every_reason_of_the_core_is_explained() -> None:
    """No reason can stand in a log that --explain does not know."""
    assert {r for r in Reason if r} == set(MEANING)
