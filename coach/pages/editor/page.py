"""The editor's page: map, traces, form and cues of one profile, all showing the same desk."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from nicegui import run, ui

from coach.errors import CoachError
from coach.pages.editor.adding import AddCorner
from coach.pages.editor.cues import CueList
from coach.pages.editor.form import CornerForm, FieldPath
from coach.pages.editor.picture import MapView, TraceView
from coach.pages.editor.shared import MarkList, SharedDesk
from coach.pages.editor.words import MORE_APEXES
from coach.pages.look import ALARM, LINK, css_colours, dark_pairs
from coach.pages.render import asset

WATCH_S = 1.0
"""Interval of checks of the file on disk [s]."""


class EditorPage:
    """One browser's view of the desk."""

    def __init__(self, shared: SharedDesk) -> None:
        self.shared = shared
        self.desk = shared.desk
        self.corner = 0
        self._client = ui.context.client
        self._build()
        shared.views.append(self)
        self._client.on_disconnect(self._left)

    def _left(self) -> None:
        if self in self.shared.views:
            self.shared.views.remove(self)

    def _build(self) -> None:
        ui.colors(primary=LINK, negative=ALARM)
        ui.dark_mode(None)
        ui.add_css(css_colours() + asset("editor.css"))
        ui.add_head_html(f"<script>{asset('editor.js')}</script>")
        self._bar()
        self._disk = ui.element("div").classes("disk").props("role=alert")
        with self._disk:
            ui.label("Another program changed this file on disk.")
            ui.button("load the file from disk", on_click=self._take).props("outline dense no-caps")
            ui.button("keep mine, overwrite the file", on_click=self._force).props("outline dense no-caps")
        self._disk.visible = False
        with ui.element("div").classes("desk"):
            with ui.element("section").classes("sheet"):
                self.map = MapView(self.desk)
            if self.desk.marks:
                with ui.element("section").classes("sheet"):
                    ui.html("<h2>Places you marked</h2>", sanitize=False)
                    MarkList(self.desk, self._mark_put)
            with ui.element("section").classes("sheet form"):
                self._form()
            with ui.element("section").classes("sheet"):
                self._traces()
            self.cues: CueList | None = None
            if self.desk.has_session:
                with ui.element("section").classes("sheet"):
                    ui.html("<h2>What the coach would say now</h2>", sanitize=False)
                    self.cues = CueList(self.desk, self.shared.locked)
        ui.on("place", self._dragged)
        ui.on("save", self._saved)
        ui.on("corner", lambda e: self._choose(int(e.args["index"])))
        ui.on("unheard", lambda: ui.notify("the browser cannot play the sound"))
        ui.timer(WATCH_S, self._watch)
        data = json.dumps(self.map.script_data())
        ui.run_javascript(f"coachEditor.line({data})")
        ui.run_javascript(f"coachEditor.scheme({self.traces.chart.id}, {json.dumps(dark_pairs())})")
        self.show()
        self.show_cues()
        self.traces.zoom(0)

    def _bar(self) -> None:
        with ui.element("header").classes("bar"):
            with ui.element("div"):
                self._title = ui.label("").props("role=heading aria-level=1").style("font-size:1.25rem;font-weight:650")
                ui.label(self.desk.file_name).classes("file")
            ui.element("div").classes("room")
            self._state = ui.label("").mark("state").props("role=status")
            self._undo = ui.button("undo", on_click=self._undone).props("outline dense no-caps")
            self._redo = ui.button("redo", on_click=self._redone).props("outline dense no-caps")
            self._save = ui.button("save", on_click=self._saved).props(
                "unelevated dense no-caps padding='xs md' title='Ctrl+S'"
            )
            if self.desk.has_session:
                ui.link("debrief", "/debrief", new_tab=True)
            ui.link("guide", "/guide", new_tab=True)

    def _traces(self) -> None:
        ui.html("<h2>Traces</h2>", sanitize=False)
        self.traces = TraceView(self.desk)
        with ui.element("div").classes("laps"):
            for lap, on in self.traces.laps():
                ui.checkbox(
                    f"lap {lap}", value=on, on_change=lambda e, lap=lap: self.traces.show_lap(lap, bool(e.value))
                ).props("dense")
        with ui.row():
            ui.button("this corner", on_click=lambda: self.traces.zoom(self.corner)).props("outline dense no-caps")
            ui.button("whole lap", on_click=self.traces.whole).props("outline dense no-caps")
        ui.label("Drag the points here or on the map. Zoom: Ctrl and wheel, pinch, or the bar below.").classes("quiet")

    def _form(self) -> None:
        with ui.row().classes("items-center q-mb-sm no-wrap"):
            ui.button("◀", on_click=lambda: self._choose(self.corner - 1)).props(
                'outline dense aria-label="corner before"'
            )
            self._corners = ui.select({}, label="corner", on_change=lambda e: self._choose(e.value))
            self._corners.props("outlined dense options-dense").classes("w-56").mark("corner")
            ui.button("▶", on_click=lambda: self._choose(self.corner + 1)).props(
                'outline dense aria-label="next corner"'
            )
        self.adding = AddCorner(self.desk, self._add, self._all_anew)
        with ui.row().classes("q-mb-sm"):
            ui.button("add a corner", on_click=lambda: self.adding.ask(self.corner)).props("outline dense no-caps")
            self._delete = ui.button("delete this corner", on_click=self._deleted).props("outline dense no-caps")
        self._problems = ui.label("").classes("problems").mark("problems").props("role=alert")
        self.form = CornerForm(self.desk, self._put)

    # display

    def show(self, but: FieldPath | None = None) -> None:
        """Show the current desk; the field ``but`` keeps its text."""
        names = self.desk.names
        self.corner = min(self.corner, len(names) - 1)
        problems = self.desk.problem_lines()
        self._title.text = f"{self.desk.circuit}: profile"
        unsaved = "unsaved changes" if self.desk.changed else "saved"
        count = f"{len(problems)} problem{'s' if len(problems) > 1 else ''}"
        self._state.text = count if problems else unsaved
        self._problems.text = "\n".join(problems)
        self._problems.visible = bool(problems)
        self._undo.enabled, self._redo.enabled = bool(self.desk.undo_label), bool(self.desk.redo_label)
        self._save.enabled = self.desk.changed and not problems
        self._delete.enabled = len(names) > 1
        self._corners.set_options(dict(enumerate(names)), value=self.corner)
        self.form.corner = self.corner
        self.form.fill(but)
        self.map.draw(self.corner)
        self.traces.draw(self.corner)
        marks = json.dumps(self.traces.marks(self.corner))
        # the view's own client, regardless of the editing one
        self._client.run_javascript(f"coachEditor.marks({self.traces.chart.id}, {marks})")

    def show_cues(self, edited: FieldPath = ()) -> None:
        """Show the cues of the last run; ``edited`` is the field changed before it."""
        if self.cues is not None:
            self.cues.draw(edited)

    # actions

    def _choose(self, corner: int | None) -> None:
        if corner is None or corner == self.corner:
            return
        self.corner = corner % len(self.desk.names)
        self.show()
        self.traces.zoom(self.corner)

    async def _put(self, path: FieldPath, value: Any) -> None:
        if await self.shared.locked(self.desk.put, self.corner, path, value):
            self.shared.tell(self, path)
            await self.shared.rerun(path)

    async def _mark_put(self, corner: int, path: FieldPath, value: Any) -> None:
        self.corner = corner
        if await self.shared.locked(self.desk.put, corner, path, value):
            self.shared.tell()
            self.traces.zoom(corner)
            await self.shared.rerun(path)

    async def _add(self, apex_m: float) -> None:
        self.corner = await self.shared.locked(self.desk.add_corner, apex_m)

    async def _deleted(self) -> None:
        name = self.desk.names[self.corner]
        if await self.shared.locked(self.desk.remove_corner, self.corner):
            ui.notify(f"{name} is deleted; undo brings it back")
            await self._all_anew()

    async def _all_anew(self) -> None:
        self.shared.tell()
        self.traces.zoom(self.corner)
        await self.shared.rerun()

    async def _dragged(self, event: Any) -> None:
        field, at = str(event.args["field"]), float(event.args["at"])
        if field in ("brake_m", "turn_in_m", "apex_m", "exit_m"):
            low, high = self.desk.room_of(self.corner, field)
            await self.shared.locked(self.desk.put, self.corner, (field,), round(max(low, min(high, at)), 1))
            self.shared.tell()
            await self.shared.rerun((field,))
        elif field.startswith(f"{MORE_APEXES}."):
            low, high = self.desk.room_of(self.corner, field)
            places = list(self.desk.get(self.corner, MORE_APEXES))
            places[int(field.rpartition(".")[2])] = round(max(low, min(high, at)), 1)
            await self.shared.locked(self.desk.put, self.corner, (MORE_APEXES,), places)
            self.shared.tell()
            await self.shared.rerun((MORE_APEXES,))

    async def _undone(self) -> None:
        await self._step(self.desk.undo)

    async def _redone(self) -> None:
        await self._step(self.desk.redo)

    async def _step(self, call: Callable[[], bool]) -> None:
        if await self.shared.locked(call):
            self.shared.tell()
            await self.shared.rerun()

    async def _saved(self) -> None:
        # also by Ctrl+S, which a disabled button does not stop
        if not self._save.enabled:
            ui.notify("not saved: fix the problems first" if self.desk.problem_lines() else "nothing to save")
            return
        if self.desk.changed_on_disk():
            self._disk.visible = True
            return
        await self._write(force=False)

    async def _force(self) -> None:
        await self._write(force=True)

    async def _write(self, *, force: bool) -> None:
        try:
            await self.shared.locked(lambda: self.desk.save(force=force))
        except CoachError as error:
            ui.notify(str(error), multi_line=True, classes="multi-line")
            return
        ui.notify("saved")
        self.shared.tell()

    async def _take(self) -> None:
        try:
            await self.shared.locked(self.desk.take_from_disk)
        except CoachError as error:
            ui.notify(f"the file on disk has a fault, yours stays: {error}", multi_line=True)
            return
        self.shared.tell()
        await self.shared.rerun()

    async def _watch(self) -> None:
        self._disk.visible = await run.io_bound(self.desk.changed_on_disk)
