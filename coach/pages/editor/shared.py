"""The desk shared by all open pages, and its marks."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any, Final

from nicegui import run, ui

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


if TYPE_CHECKING:
    from coach.pages.editor.page import EditorPage


class SharedDesk:
    """The desk, one lock for all open pages, and the pages to redraw."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._lock = asyncio.Lock()
        self._wanted = self._done = 0
        self._edited: FieldPath = ()
        self.views: list[EditorPage] = []

    async def locked(self, call: Callable[..., Any], *arguments: Any) -> Any:
        """Run ``call`` on a separate thread, one at a time."""
        async with self._lock:
            return await run.io_bound(call, *arguments)

    def tell(self, but: EditorPage | None = None, field: FieldPath | None = None) -> None:
        """Redraw every open page; ``but`` keeps its focused ``field``."""
        for view in list(self.views):
            view.show(field if view is but else None)

    async def rerun(self, edited: FieldPath = ()) -> None:
        """Run the session under the current profile; edits made meanwhile share one further run.

        ``edited`` is the changed field: if no cue changed, the pages say why.
        """
        self._edited = edited
        self._wanted += 1
        if not self.desk.has_session or self._wanted != self._done + 1:
            return
        while self._done != self._wanted:
            wanted = self._wanted
            await self.locked(self.desk.rerun)
            self._done = wanted
            for view in list(self.views):
                view.show_cues(self._edited)
