"""Marks on the pages: in debrief and guide by corner, drawn on the map, turned into fields of the profile."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any

import pytest
from pages_shared import looked, plan

from coach.app.edit.profile_edits import ProfileEdits
from coach.app.guide.guiding import guide_view
from coach.app.review.debrief import debrief
from coach.app.review.debrief_page import debrief_view
from coach.core.values import Mark
from coach.pages.debrief import debrief_html
from coach.pages.editor.shared import CAUTION_WORDS, NOTE_WORDS, MarkList
from coach.pages.guide import guide_html
from coach.pages.track_map import corner_near, mark_lines


def mark_at(s_m: float, name: str = "mark 1") -> Mark:
    """A mark at a place of the profile that ships."""
    return Mark(12.0, 2, s_m, 0.0, 0.0, name)


def test_a_mark_belongs_to_the_corner_it_is_near() -> None:
    """Inside a corner, just before its brake point, just after its end; over the line where the lap is closed."""
    corners, reference = plan().corners, plan().reference
    for i, corner in enumerate(corners):
        assert i == corner_near(corners, corner.apex_m, reference)
        first = corner.brake_m if corner.brake_m == corner.brake_m else corner.turn_in_m
        assert first <= corner.apex_m
    last, length = corners[-1], reference.length_m
    beyond = (last.end_m + 1.0) % length
    assert len(corners) - 1 == corner_near(corners, beyond, reference)
    open_course = replace(reference, closed=False)
    assert 0 == corner_near(corners, 0.0, open_course)


def test_debrief_and_guide_list_and_draw_the_marks() -> None:
    """Each by name, place, lap and corner; on the map under its name; none, no word of it."""
    session, mark = looked(), mark_at(plan().corners[2].apex_m, "mark 7")
    (line,) = mark_lines([mark], session.setup.corners, session.setup.reference)
    assert line.startswith("mark 7: ")
    done = debrief(session.result, session.setup, [mark])
    view = debrief_view(done, session.result, session.setup, session.live, "", [mark])
    for page in (debrief_html(view), guide_html(guide_view(plan(), marks=[mark]))):
        assert line in page
        assert 'class="mark"' in page
    assert "You marked" not in guide_html(guide_view(plan()))


class Edits(ProfileEdits):
    """A profile being edited, with marks, as the list needs it."""

    marks: tuple[Mark, ...] = ()

    def room_of(self, corner: int, field: str) -> tuple[float, float]:
        """40 m to either side of the brake point."""
        brake = self.corners[corner].brake_m
        return brake - 40.0, brake + 40.0


@pytest.mark.parametrize("kind", ["caution", "note", "brake point"])
def test_one_click_turns_a_mark_into_a_field(kind: str) -> None:
    """The mark's own corner gets a caution at its place, a note in words to rewrite, or its brake point."""
    edits = Edits("hollow_ridge")
    number = next(i for i, c in enumerate(edits.corners) if c.brake_m == c.brake_m)
    place = round(edits.corners[number].brake_m - 7.0, 1)
    rows = MarkList.__new__(MarkList)
    rows.desk = edits  # type: ignore[assignment]

    async def put(corner: int, path: Any, value: Any) -> None:
        edits.put(corner, path, value)

    rows._put = put
    asyncio.run(rows.turn(mark_at(place), kind))
    assert [] == list(edits.problems)
    corner = edits.corners[number]
    if kind == "brake point":
        assert place == corner.brake_m
    elif kind == "caution":
        last = corner.cautions[-1]
        assert ("other", place, CAUTION_WORDS) == (last.kind, last.at_m, last.words)
    else:
        assert NOTE_WORDS == corner.words[-1]
