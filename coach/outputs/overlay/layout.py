"""Lays out the overlay: a pure function from state and font measures to draw items.

From the top: difference, next corner and distance in one row, the delta bar under it, then, if present: the last lap,
the cue, a line on the data or the track. The window's height follows. Nothing here draws. Items are plain values, so
comparing them finds the changes between two states.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from coach.core.values import LapDone, View
from coach.outputs.overlay.colours import DIM, GAINED, LOST, TEXT, TROUGH, Colour, mixed
from coach.outputs.overlay.legible import Size
from coach.outputs.overlay.texts import (
    HIDDEN,
    KEYS,
    UNLOCK,
    WORDS,
    Item,
    Measure,
    Mode,
    Rect,
    Shape,
    TextLabel,
    countdown_text,
    delta_text,
    fit,
    label,
    lap_text,
    mode_of,
    shown,
    sign,
    system_of,
    wrap,
)

FULL_SCALE_S: Final = 1.0
CAPTION_S: Final = 5.0
FADE_S: Final = 1.0
FADE_STEPS: Final = 8
CAPTION_LINES: Final = 4
LAP_S: Final = 6.0
"""Display time of the last lap [s]."""


class Caption(NamedTuple):
    """The last cue and its age [s]."""

    text: str
    age_s: float


class Scene(NamedTuple):
    """Everything the overlay shows: newest view, last cue, last lap with its age [s], and the window's own state.

    ``fresh`` is false once views stop; ``keys`` shows the list of keys; ``hidden`` shows a small mark.
    """

    view: View | None = None
    caption: Caption | None = None
    lap: LapDone | None = None
    lap_age_s: float = math.inf
    fresh: bool = True
    keys: bool = False
    hidden: bool = False


class Drawing(NamedTuple):
    """Draw items in order, and the width and height [px] that hold them."""

    items: tuple[Item, ...]
    width: int
    height: int


def caption_share(caption: Caption | None) -> float:
    """Return the opacity of a caption (0..1 in eighths, so that a fade is a few redraws and not thirty a second)."""
    if caption is None or not caption.text:
        return 0.0
    left = (CAPTION_S - caption.age_s) / FADE_S
    return math.ceil(max(0.0, min(1.0, left)) * FADE_STEPS) / FADE_STEPS


def lay_out(scene: Scene, size: Size, measure: Measure) -> Drawing:
    """Return the everything to draw for ``scene``, and the window's size [px]."""
    m, width = size.margin, size.width
    if scene.hidden:
        return _hidden(size, measure)
    mode = mode_of(scene.view, scene.fresh)
    items: list[Item] = _first_row(scene.view, mode, size, measure)
    y = m + size.number_cap + m
    if scene.view is not None and mode == "live":
        items += _bar(scene.view.delta_s, y, size)
        y += size.bar + m
    for text, cap, colour in _rows(scene, mode, size):
        for line in wrap(shown(text), cap, width - 2 * m, CAPTION_LINES, measure):
            height = measure(line, cap)[1]
            items.append(label(line, cap, m, y, colour, measure))
            y += height
        y += m // 2
    if scene.keys:
        y = _keys(items, y, size, measure)
    return Drawing(tuple(items), width, y)


def _rows(scene: Scene, mode: Mode, size: Size) -> list[tuple[str, int, Colour]]:
    """Return the rows under the bar as (text, capital height, colour), in order."""
    out: list[tuple[str, int, Colour]] = []
    if scene.lap is not None and scene.lap_age_s <= LAP_S:
        delta = scene.lap.delta_s
        colour = TEXT if not math.isfinite(delta) or delta_text(delta) == "0.00" else LOST if delta > 0 else GAINED
        out.append((lap_text(scene.lap), size.number_cap, colour))
        if not scene.lap.valid:
            out.append((f"does not count: {scene.lap.why_invalid}".rstrip(": "), size.text_cap, DIM))
    share = caption_share(scene.caption)
    if scene.caption is not None and share > 0.0:
        out.append((scene.caption.text, size.cue_cap, mixed(TEXT, share)))
    if scene.view is not None and scene.fresh:
        notes = (scene.view.status, scene.view.condition)
        out += [(text, size.text_cap, DIM) for text in notes if text and text != WORDS[mode]]
    return out


def _first_row(view: View | None, mode: Mode, size: Size, measure: Measure) -> list[Item]:
    """Return the difference, or sign and word of a state without one; then the next corner, at the right."""
    if view is not None and mode == "live":
        items = _number(view.delta_s, size, measure)
    else:
        items = sign(mode, size, measure)
    if view is not None and mode in ("live", "untimed"):
        used = max(x + w for x, _, w, _ in (i.box for i in items if isinstance(i, TextLabel)))
        # its triangle is beside the number
        items += _corner(view, used + size.number_cap + 2 * size.margin, size, measure)
    return items


def _bar(delta_s: float, y: int, size: Size) -> list[Item]:
    """Return the delta bar: time gained extends from the middle to the right, time lost to the left."""
    m, height = size.margin, size.bar
    width = size.width - 2 * m
    middle = m + width // 2
    items: list[Item] = [Rect((m, y, width, height), TROUGH)]
    length = round(min(1.0, abs(delta_s) / FULL_SCALE_S) * width / 2)
    if length:
        items.append(
            Rect((middle - length if delta_s > 0 else middle, y, length, height), LOST if delta_s > 0 else GAINED)
        )
    items.append(Rect((middle - 1, y - m // 3, max(2, size.bar // 4), height + 2 * (m // 3)), TEXT))
    return items


def _number(delta_s: float, size: Size, measure: Measure) -> list[Item]:
    text = delta_text(delta_s)
    colour = TEXT if text == "0.00" else LOST if delta_s > 0 else GAINED
    cap, m = size.number_cap, size.margin
    box_h = measure(text, cap)[1]
    # the box of a font line is higher than its capitals: set it so that the capitals start at the margin
    number = label(text, cap, m, m + (cap - box_h) // 2, colour, measure)
    items: list[Item] = [number]
    if text != "0.00":
        x, side = m + number.box[2] + m, round(cap * 0.62)
        top, bottom = m + (cap - side) // 2, m + (cap + side) // 2
        tip, base = (top, bottom) if delta_s < 0 else (bottom, top)
        items.append(Shape(((x, base), (x + side, base), (x + side // 2, tip)), colour))
    return items


def _corner(view: View, left: int, size: Size, measure: Measure) -> list[Item]:
    """Return the next corner and the distance to its brake point, at the right end of the first row."""
    if not view.next_corner:
        return []
    cap, m, right = size.text_cap, size.margin, size.width - size.margin
    system = system_of(view)
    distance = countdown_text(view.to_brake_m, system)
    items: list[Item] = []
    y = m + (size.number_cap - measure("Ag", cap)[1]) // 2
    if distance:
        items.append(label(distance, cap, right - measure(distance, cap)[0], y, TEXT, measure))
        # as wide as the widest distance, so that the name does not move while the distance shrinks
        right -= max(measure(f"000 {system.length}", cap)[0], measure(distance, cap)[0]) + m
    name = fit(shown(view.next_corner), cap, right - left, measure)
    if name:
        items.append(label(name, cap, right - measure(name, cap)[0], y, TEXT if distance else DIM, measure))
    return items


def _keys(items: list[Item], y: int, size: Size, measure: Measure) -> int:
    """Append the list of keys from ``y`` on; return where it ends [px]."""
    cap, m = size.text_cap, size.margin
    items.append(Rect((m, y, size.width - 2 * m, 1), TROUGH))
    y += m // 2
    column = m + max(measure(key, cap)[0] for key, _ in KEYS) + 2 * m
    for key, effect in KEYS:
        items.append(label(key, cap, m, y, TEXT, measure))
        for line in wrap(effect, cap, size.width - column - m, 2, measure):
            items.append(label(line, cap, column, y, DIM, measure))
            y += measure(line, cap)[1]
    for line in wrap(UNLOCK, cap, size.width - 2 * m, 2, measure):
        items.append(label(line, cap, m, y, DIM, measure))
        y += measure(line, cap)[1]
    return y + m // 2


def _hidden(size: Size, measure: Measure) -> Drawing:
    text = label(HIDDEN, size.text_cap, size.margin, size.margin // 2, DIM, measure)
    return Drawing((text,), text.box[2] + 2 * size.margin, text.box[3] + 2 * (size.margin // 2))
