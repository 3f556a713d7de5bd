"""The session's marks: one click turns a mark into a caution, a note or a brake point of the nearest corner."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any, Final

from nicegui import ui

from coach.core.values import Mark
from coach.pages.editor.desk import Desk
from coach.pages.editor.form import FieldPath
from coach.pages.track_map import corner_near, mark_lines

CAUTION_WORDS: Final = "watch out here"
NOTE_WORDS: Final = "mind your mark"
"""Initial text, which the user edits in the corner's fields."""
TURNS_INTO: Final = ("caution", "note", "brake point")

Put = Callable[[int, FieldPath, Any], Awaitable[None]]
"""Sets a field of a corner: its number, the path, the value."""


class MarkList:
    """One row per mark; ``put`` applies a click."""

    def __init__(self, desk: Desk, put: Put) -> None:
        self.desk = desk
        self._put = put
        for mark, line in zip(desk.marks, mark_lines(desk.marks, desk.corners, desk.reference), strict=True):
            with ui.row().classes("items-center"):
                ui.label(line)
                for kind in TURNS_INTO:
                    ui.button(f"make it a {kind}", on_click=lambda m=mark, k=kind: self.turn(m, k)).props(
                        f'outline dense no-caps aria-label="{line}: make it a {kind}"'
                    )

    async def turn(self, mark: Mark, kind: str) -> None:
        """Turn ``mark`` into a caution, a note or the brake point of the nearest corner."""
        corner = corner_near(self.desk.corners, mark.s_m, self.desk.reference)
        place = self._along(corner, mark.s_m)
        if kind == "brake point":
            low, high = self.desk.room_of(corner, "brake_m")
            if not low <= place <= high:
                ui.notify(f"{mark.name}: no brake point of {self.desk.names[corner]} can be there")
                return
            await self._put(corner, ("brake_m",), place)
        elif kind == "caution":
            others = [dict(c) for c in self.desk.get(corner, "cautions") or []]
            at = round(mark.s_m, 1)
            await self._put(corner, ("cautions",), [*others, {"kind": "other", "at_m": at, "words": CAUTION_WORDS}])
        else:
            await self._put(corner, ("words",), [*(self.desk.get(corner, "words") or []), NOTE_WORDS])

    def _along(self, corner: int, s_m: float) -> float:
        """Return the place in the corner's count: its points may lie before the line [m]."""
        length = self.desk.reference.length_m if self.desk.reference.closed else 0.0
        apex = self.desk.corners[corner].apex_m
        places: tuple[float, ...] = (s_m - length, s_m, s_m + length)
        nearest: float = min(places, key=lambda place: abs(place - apex))
        return round(nearest, 1)
