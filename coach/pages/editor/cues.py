"""Lists the session's cues under the current profile: changes, reasons, and sound."""

from __future__ import annotations

import base64
from collections.abc import Awaitable, Callable, Sequence
from typing import Any, Final

from nicegui import run, ui

from coach.pages.editor.desk import CueListRow, Desk
from coach.pages.editor.words import why_nothing
from coach.pages.look import KINDS

SHOW: Final = {"spoken": "spoken", "changed": "what changed", "all": "all, held back too"}
_SIGN: Final = {"new": "＋ new", "gone": "－ gone", "changed": "≠ changed", "": ""}
_COLUMNS: Final = (
    ("mark", "change", "left"),
    ("lap", "lap", "right"),
    ("place", "at", "right"),
    ("corner", "corner", "left"),
    ("text", "cue", "left"),
    ("ask", "hear, explain", "left"),
)


def _button(event: str) -> str:
    """Return a button of a row that sends ``event`` with the row's number."""
    return (
        f'<q-btn flat dense no-caps color="primary" label="{event}" :aria-label="\'{event}: \' + props.row.text"'
        f" @click=\"$parent.$emit('{event}', props.row.id)\"/>"
    )


class CueList:
    """The list; ``locked`` runs a call on the desk without concurrent edits."""

    def __init__(self, desk: Desk, locked: Callable[..., Awaitable[Any]]) -> None:
        self.desk = desk
        self._locked = locked
        self._rows: list[CueListRow] = []
        self._said: tuple[int, str] = (-1, "")
        self._build()

    def _build(self) -> None:
        with ui.row().classes("items-center q-mb-sm"):
            self.stamp = ui.label("").classes("quiet").mark("stamp")
            self.show = ui.select(SHOW, value="spoken", label="show", on_change=self._list)
            self.show.props("outlined dense options-dense").classes("w-48")
            self.rules = ui.select(self.desk.rule_sets, label="cue rules", value="", on_change=self._rules)
            self.rules.props("outlined dense options-dense").classes("w-48")
            ui.button("set baseline", on_click=self._from_here).props("outline dense no-caps")
        self.summary = ui.label("").mark("summary").props("role=status")
        with ui.element("div").classes("nothing") as self._nothing:
            self._because = ui.label("").mark("because").props("role=status")
            self._offer = ui.button("use the first-laps rules", on_click=self._try_reminders)
            self._offer.props("outline dense no-caps")
            ui.button("show all, held back too", on_click=self._show_all).props("outline dense no-caps")
        self._nothing.visible = False
        columns = [
            {"name": n, "label": label, "field": n, "align": align, "headerStyle": "font-weight:600"}
            for n, label, align in _COLUMNS
        ]
        self.table = ui.table(columns=columns, rows=[], row_key="id", pagination=15).props("flat dense wrap-cells")
        self.table.add_slot(
            "body-cell-mark",
            '<q-td :props="props"><span class="mark">{{ props.row.mark }}</span>'
            '<div class="was" v-if="props.row.was">{{ props.row.was }}</div></q-td>',
        )
        self.table.add_slot(
            "body-cell-text",
            '<q-td :props="props">{{ props.row.text }}<div class="was" v-if="props.row.outcome">{{ props.row.outcome }}'
            '</div><div class="why" role="status" v-if="props.row.why">{{ props.row.why }}</div></q-td>',
        )
        self.table.add_slot(
            "body-cell-ask",
            f'<q-td :props="props">{_button("hear")}{_button("why")}</q-td>',
        )
        # the answer appears in its row
        self.table.add_slot(
            "body-cell-corner",
            '<q-td :props="props">{{ props.row.corner }}<div class="kind" :class="props.row.kind">'
            "{{ props.row.kindShown }}</div></q-td>",
        )
        self.table.on("hear", self._hear)
        self.table.on("why", self._why)

    def draw(self, edited: Sequence[str | int] = ()) -> None:
        """Show the desk's current cues; ``edited`` is the field whose change caused this run, if any."""
        self._rows = self.desk.cue_rows()
        self._said = (-1, "")
        count, took = self.desk.ran
        self.stamp.text = f"run {count} took {took:.2f} s"
        self._list()
        self._sum_up(edited)

    def _list(self) -> None:
        wanted = [r for r in self._rows if self._shown(r)]
        self.table.rows = [
            {
                "id": r.id,
                "mark": _SIGN[r.mark],
                "was": r.was,
                "lap": r.lap,
                "place": f"{r.place_m:.0f} m",
                "corner": r.corner,
                "text": r.text,
                "outcome": f"held back: {r.reason}" if r.outcome == "held" else "",
                "kind": r.family,
                "kindShown": KINDS.get(r.family, r.family),
                "why": self._said[1] if r.id == self._said[0] else "",
            }
            for r in wanted
        ]

    def _sum_up(self, edited: Sequence[str | int]) -> None:
        spoken = sum(r.outcome == "spoken" and r.mark != "gone" for r in self._rows)
        held = sum(r.outcome == "held" for r in self._rows)
        marks = [sum(r.mark == mark for r in self._rows) for mark in ("new", "gone", "changed")]
        change = f"{marks[0]} new, {marks[1]} gone, {marks[2]} changed" if any(marks) else "nothing changed"
        self.summary.text = f"{spoken} spoken, {held} held back; {change}"
        rules = self.desk.rules_name
        self._because.text = why_nothing(edited, rules) if edited and not any(marks) else ""
        self._nothing.visible = bool(self._because.text)
        self._offer.visible = "first laps" in self._because.text

    async def _try_reminders(self) -> None:
        self.rules.value = "first_laps"

    def _show_all(self) -> None:
        self.show.value = "all"

    def _shown(self, row: CueListRow) -> bool:
        if self.show.value == "spoken":
            return row.outcome == "spoken"
        return self.show.value == "all" or bool(row.mark)

    async def _rules(self, event: Any) -> None:
        await self._locked(self.desk.use_rules, event.value)
        await self._locked(self.desk.rerun)
        self.draw()

    def _from_here(self) -> None:
        self.desk.keep_as_before()
        self.draw()

    def _row(self, number: Any) -> CueListRow | None:
        return next((r for r in self._rows if r.id == number), None)

    def _answer(self, row: CueListRow, text: str) -> None:
        self._said = (row.id, text)
        self._list()

    def _why(self, event: Any) -> None:
        row = self._row(event.args)
        if row is not None:
            # a second click hides the answer
            self._answer(row, "" if self._said == (row.id, row.why) else row.why)

    async def _hear(self, event: Any) -> None:
        row = self._row(event.args)
        if row is None:
            return
        # None during server shutdown
        data, problem = await run.io_bound(self.desk.sound, row.text) or (b"", "the editor is closing")
        if not data:
            self._answer(row, f"No sound for this cue: {problem}")
            return
        sound = base64.b64encode(data).decode()
        ui.run_javascript(f'coachEditor.play("data:audio/wav;base64,{sound}")')
        self._answer(row, f"Playing: {row.text}")
