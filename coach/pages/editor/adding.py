"""The dialog for a new corner's place; errors appear under the field."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from nicegui import ui

from coach.errors import CoachError
from coach.pages.editor.desk import Desk
from coach.pages.editor.form import number, shown


class AddCorner:
    """A small dialog; it awaits ``add`` with the apex [m], which raises CoachError if there is no room.

    It awaits ``added`` after closing, as it holds the focus until then.
    """

    def __init__(
        self, desk: Desk, add: Callable[[float], Awaitable[None]], added: Callable[[], Awaitable[None]]
    ) -> None:
        self.desk = desk
        self._add, self._added = add, added
        with ui.dialog().props('aria-label="add a corner"') as self._dialog, ui.card():
            ui.label("A new corner around this apex. You can move its points afterwards.")
            self._apex = ui.input("apex, m along the lap")
            self._apex.props("outlined dense hide-bottom-space inputmode=decimal")
            self._apex.classes("w-full").mark("new-apex").on("keydown.enter", self._chosen)
            with ui.row():
                ui.button("add", on_click=self._chosen).props("unelevated dense no-caps padding='xs md'")
                ui.button("cancel", on_click=self._dialog.close).props("outline dense no-caps padding='xs md'")

    def ask(self, corner: int) -> None:
        """Open the dialog with a suggested place after ``corner``."""
        try:
            place = self.desk.suggested_m(corner)
        except CoachError as error:
            ui.notify(str(error), multi_line=True)
            return
        self._apex.value, self._apex.error = shown(place), None
        self._dialog.open()

    async def _chosen(self) -> None:
        apex = number(self._apex.value)
        if not isinstance(apex, int | float):
            self._apex.error = f"expected a number of metres, found {self._apex.value!r}"
            return
        try:
            await self._add(float(apex))
        except CoachError as error:
            self._apex.error = str(error)
            return
        self._dialog.close()
        await self._added()
