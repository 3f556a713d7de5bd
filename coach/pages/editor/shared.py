"""The desk shared by all open pages."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from nicegui import run

from coach.pages.editor.desk import Desk
from coach.pages.editor.form import FieldPath

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
        """Run the session under the profile as it stands; edits made meanwhile share one further run.

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
