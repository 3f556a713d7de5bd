"""The form of one corner: the file's validation checks input, and errors appear under the field."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Any

from nicegui import ui

from coach.pages.editor.desk import Desk
from coach.pages.editor.words import (
    APEXES,
    CAUTIONS,
    DIRECTIONS,
    FIELDS,
    KERB_PLACES,
    KERBS,
    MORE_APEXES,
    PLACES,
    in_words,
    label_of,
    mute_word,
)

FieldPath = tuple[str | int, ...]
Put = Callable[[FieldPath, Any], Awaitable[None]]


def number(text: str | None) -> Any:
    """Return input as a number; keep other text, so that the file's validation reports it."""
    raw = (text or "").strip()
    if not raw:
        return None
    try:
        value = float(raw)
    except ValueError:
        return raw
    if not math.isfinite(value):
        return raw
    return int(raw) if raw.lstrip("+-").isdigit() else value


def shown(value: Any) -> str:
    """Return a value of the file as shown in its field."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value)


def numbers(text: str | None) -> list[Any]:
    """Return the numbers in comma- or space-separated text."""
    return [number(part) for part in (text or "").replace(",", " ").split()]


def lines(text: str | None) -> list[str]:
    """Return the non-empty lines."""
    return [line.strip() for line in (text or "").splitlines() if line.strip()]


@dataclass
class _Field:
    path: FieldPath
    element: Any
    to_field: Callable[[Any], Any]


class CornerForm:
    """The form for ``corner``; it awaits ``put`` with each change."""

    def __init__(self, desk: Desk, put: Put) -> None:
        self.desk = desk
        self.corner = 0
        self._put = put
        self._fields: list[_Field] = []
        self._filling = False
        self._build()

    def _build(self) -> None:
        with ui.element("div").classes("fields"):
            self._text(("name",))
            self._text(("say",))
            self._choice(("direction",), DIRECTIONS, clearable=False)
            self._number(("gear",))
            for field in PLACES:
                self._number((field,))
            self._list((MORE_APEXES,))
            self._list(("boards",))
            self._choice(("apex",), APEXES)
            for where in ("entry", "apex", "exit"):
                self._choice(("kerbs", where), KERBS)
                self._list(KERB_PLACES[where], "begin, end")
            self._number(("limits", "latest_brake_m"))
            self._number(("limits", "widest_exit_offset_m"))
        words = ui.textarea(FIELDS["words"]).props("debounce=400 autogrow outlined dense hide-bottom-space")
        self._add(("words",), words, lines, lambda v: "\n".join(map(str, v or [])))
        mute = ui.select(
            {name: mute_word(name) for name in self.desk.mutes}, multiple=True, label=FIELDS["mute"]
        ).props("outlined dense hide-bottom-space use-chips")
        self._add(("mute",), mute, list, lambda v: [x for x in v or [] if x in self.desk.mutes])
        ui.label("Cautions").classes("head")
        self._cautions = ui.element("div")
        ui.button("add a caution", on_click=self._add_caution).props("outline dense no-caps")

    def _text(self, path: FieldPath) -> None:
        element = ui.input(label_of(path)).props("debounce=400 outlined dense hide-bottom-space")
        self._add(path, element, lambda t: (t or "").strip() or None, shown)

    def _number(self, path: FieldPath) -> None:
        element = ui.input(label_of(path)).props("debounce=400 outlined dense hide-bottom-space inputmode=decimal")
        self._add(path, element, number, shown)

    def _list(self, path: FieldPath, hint: str = "") -> None:
        element = ui.input(label_of(path), placeholder=hint or None).props(
            "debounce=400 outlined dense hide-bottom-space inputmode=decimal"
        )
        self._add(path, element, numbers, lambda v: ", ".join(map(shown, v or [])))

    def _choice(self, path: FieldPath, options: dict[str, str], clearable: bool = True) -> None:
        element = ui.select(options, label=label_of(path), clearable=clearable).props(
            "outlined dense hide-bottom-space options-dense"
        )
        self._add(path, element, lambda v: v, lambda v: v if v in options else None)

    def _add(self, path: FieldPath, element: Any, read: Callable[[Any], Any], to_field: Callable[[Any], Any]) -> None:
        # not a coroutine: it must check now whether the form is being filled, not when a coroutine runs
        def changed() -> Awaitable[None] | None:
            return None if self._filling else self._put(path, read(element.value))

        element.on_value_change(changed)
        element.mark("-".join(map(str, path)))
        self._fields.append(_Field(path, element, to_field))

    def fill(self, but: FieldPath | None = None) -> None:
        """Show the file's values; the field ``but`` has the focus and keeps its text."""
        self._filling = True
        try:
            for field in self._fields:
                if field.path != but:
                    field.element.value = field.to_field(self.desk.get(self.corner, *field.path))
            self.tell()
            if but is None or but[0] != "cautions":
                self._fill_cautions()
        finally:
            self._filling = False

    def tell(self) -> None:
        """Show errors under their fields."""
        for field in self._fields:
            field.element.error = in_words(self.desk.problem_at(self.corner, *field.path)) or None

    def _fill_cautions(self) -> None:
        self._cautions.clear()
        with self._cautions:
            for i, caution in enumerate(self.desk.get(self.corner, "cautions") or []):
                self._caution(i, caution)

    def _caution(self, i: int, caution: Any) -> None:
        def at(key: str, kind: Callable[[Any], Any]) -> Callable[[Any], Awaitable[None] | None]:
            def changed(event: Any) -> Awaitable[None] | None:
                return None if self._filling else self._change_caution(i, key, kind(event.value))

            return changed

        with ui.element("div").classes("fields caution"):
            kind = caution.get("kind")
            ui.select(
                CAUTIONS, label="kind", value=kind if kind in CAUTIONS else None, on_change=at("kind", str)
            ).props("outlined dense hide-bottom-space")
            for key, label, read in (("at_m", "at, m", number), ("words", "words", lambda t: (t or "").strip())):
                field = ui.input(label, value=shown(caution.get(key)), on_change=at(key, read))
                field.props("debounce=400 outlined dense hide-bottom-space").mark(f"caution-{i}-{key}")
                field.error = in_words(self.desk.problem_at(self.corner, "cautions", i, key)) or None
            ui.switch("safety", value=bool(caution.get("safety")), on_change=at("safety", bool))
            ui.button("remove", on_click=lambda: self._change_caution(i, "", None)).props("flat dense no-caps")

    async def _add_caution(self) -> None:
        apex = self.desk.get(self.corner, "apex_m")
        await self._put_cautions([*self._all_cautions(), {"kind": "other", "at_m": apex, "words": "watch out here"}])
        self.fill()

    async def _change_caution(self, i: int, key: str, value: Any) -> None:
        every = self._all_cautions()
        if i >= len(every):
            return
        if not key:
            del every[i]
        elif key == "safety" and not value:
            every[i].pop("safety", None)
        else:
            every[i][key] = value
        await self._put_cautions(every)
        if not key:
            self.fill()

    def _all_cautions(self) -> list[dict[str, Any]]:
        return [dict(c) for c in self.desk.get(self.corner, "cautions") or []]

    async def _put_cautions(self, every: Sequence[dict[str, Any]]) -> None:
        await self._put(("cautions",), list(every))
