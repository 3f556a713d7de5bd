"""What stands where on the overlay: a pure function from the state to draw items, with the font measured.

Nothing here draws. Items are plain values, so what changed between two states is found by comparing them.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from coach.core.values import View
from coach.outputs.overlay.colours import DIM, GAINED, LOST, TEXT, TROUGH, Colour, mixed
from coach.outputs.overlay.legible import Size
from coach.outputs.overlay.texts import WORDS, Measure, Mode, countdown_text, delta_text, fit, mode_of, shown, wrap

Box = tuple[int, int, int, int]
Points = tuple[tuple[int, int], ...]
FULL_SCALE_S = 1.0
COUNTDOWN_M = 300.0
CAPTION_S = 5.0
FADE_S = 1.0
FADE_STEPS = 8
CAPTION_LINES = 3


class Rect(NamedTuple):
    """A filled box."""

    box: Box
    colour: Colour


class Shape(NamedTuple):
    """A filled polygon, or its outline when ``line`` is its width [px]."""

    points: Points
    colour: Colour
    line: int = 0


class Label(NamedTuple):
    """A line of text: left top corner, capital height, and the box it really takes."""

    text: str
    cap: int
    box: Box
    colour: Colour


Item = Rect | Shape | Label


class Caption(NamedTuple):
    """The last cue and how long ago it came [s]."""

    text: str
    age_s: float


def caption_share(caption: Caption | None) -> float:
    """Opacity of a caption (0..1 in eighths, so that a fade is a few redraws and not thirty a second)."""
    if caption is None or not caption.text:
        return 0.0
    left = (CAPTION_S - caption.age_s) / FADE_S
    return math.ceil(max(0.0, min(1.0, left)) * FADE_STEPS) / FADE_STEPS


def lay_out(
    view: View | None,
    caption: Caption | None,
    size: Size,
    measure: Measure,
    fresh: bool = True,
) -> tuple[Item, ...]:
    """Everything to draw, in order."""
    mode = mode_of(view, fresh)
    m = size.margin
    left = m + size.bar + m
    width = size.width - left - m
    items: list[Item] = [*_bar(view if mode == "live" else None, size)]
    if view is not None and mode == "live":
        items += _number(view.delta_s, left, size, measure)
    else:
        items += _sign(mode, left, size, measure)
    top = m + size.number_cap + round(1.1 * m)
    if view is not None and mode in ("live", "untimed"):
        items += _corner(view, left, top, width, size, measure)
    share = caption_share(caption)
    if caption is not None and share > 0:
        line = measure("Ag", size.text_cap)[1]
        y = top + line + round(1.25 * m)
        lines = min(CAPTION_LINES, (size.height - m // 2 - y) // line)
        for text in wrap(shown(caption.text), size.text_cap, width, lines, measure):
            items.append(_label(text, size.text_cap, left, y, mixed(TEXT, share), measure))
            y += line
    return tuple(items)


def _label(text: str, cap: int, x: int, y: int, colour: Colour, measure: Measure) -> Label:
    w, h = measure(text, cap)
    return Label(text, cap, (x, y, w, h), colour)


def _bar(view: View | None, size: Size) -> list[Item]:
    m, w = size.margin, size.bar
    height = size.height - 2 * m
    middle = m + height // 2
    items: list[Item] = [Rect((m, m, w, height), TROUGH)]
    if view is not None:
        share = max(-1.0, min(1.0, view.delta_s / FULL_SCALE_S))
        length = round(abs(share) * height / 2)
        if length:
            y = middle if share > 0 else middle - length
            items.append(Rect((m, y, w, length), LOST if share > 0 else GAINED))
    items.append(Rect((m - size.margin // 4, middle - 1, w + size.margin // 2, max(2, w // 12)), TEXT))
    return items


def _number(delta_s: float, left: int, size: Size, measure: Measure) -> list[Item]:
    text = delta_text(delta_s)
    colour = TEXT if text == "0.00" else LOST if delta_s > 0 else GAINED
    cap, m = size.number_cap, size.margin
    box_h = measure(text, cap)[1]
    # the box of a font line is higher than its capitals: set it so that the capitals start at the margin
    label = _label(text, cap, left, m + (cap - box_h) // 2, colour, measure)
    items: list[Item] = [label]
    if text != "0.00":
        x, side = left + label.box[2] + m, round(cap * 0.62)
        top, bottom = m + (cap - side) // 2, m + (cap + side) // 2
        tip, base = (top, bottom) if delta_s < 0 else (bottom, top)
        items.append(Shape(((x, base), (x + side, base), (x + side // 2, tip)), colour))
    return items


def _sign(mode: Mode, left: int, size: Size, measure: Measure) -> list[Item]:
    """Shape and word of a state without a number; every state has a shape of its own."""
    side, y, line = size.number_cap, size.margin, max(2, size.number_cap // 9)
    x, r = left, size.number_cap // 2
    cx, cy = x + r, y + r
    items: list[Item] = []
    if mode == "lost":  # a diamond with a query
        items.append(Shape(((cx, y), (x + side, cy), (cx, y + side), (x, cy)), TEXT, line))
        items.append(_centred("?", round(side * 0.42), cx, cy, TEXT, measure))
    elif mode == "pit":  # a filled square with a letter
        items.append(Rect((x, y, side, side), DIM))
        items.append(_centred("P", round(side * 0.55), cx, cy, (0, 0, 0), measure))
    elif mode == "no_feed":  # a crossed-out line: two bars with a gap, and a stroke through it
        third = side // 3
        items.append(Rect((x, cy - line, third, 2 * line), TEXT))
        items.append(Rect((x + side - third, cy - line, third, 2 * line), TEXT))
        items.append(Shape(((cx - line, y + side), (cx, y + side), (cx + line, y), (cx, y)), TEXT))
    elif mode == "untimed":  # an open clock face
        items.append(Shape(_ring(cx, cy, r, 24), TEXT, line))
        items.append(Rect((cx - line // 2, cy - round(r * 0.6), line, round(r * 0.6)), TEXT))
        items.append(Rect((cx - line // 2, cy - line // 2, round(r * 0.45), line), TEXT))
    else:  # ready: a triangle lying on its side
        items.append(Shape(((x, y), (x + side, cy), (x, y + side)), DIM))
    word_cap = round(size.text_cap * 1.25)
    word_x = x + side + size.margin
    word = fit(WORDS[mode], word_cap, size.width - word_x - size.margin, measure)
    box_h = measure(word, word_cap)[1]
    items.append(_label(word, word_cap, word_x, cy - box_h // 2, TEXT, measure))
    return items


def _ring(cx: int, cy: int, r: int, corners: int) -> Points:
    turn = 2 * math.pi / corners
    return tuple((round(cx + r * math.cos(i * turn)), round(cy + r * math.sin(i * turn))) for i in range(corners))


def _centred(text: str, cap: int, cx: int, cy: int, colour: Colour, measure: Measure) -> Label:
    w, h = measure(text, cap)
    return Label(text, cap, (cx - w // 2, cy - h // 2, w, h), colour)


def _corner(view: View, left: int, top: int, width: int, size: Size, measure: Measure) -> list[Item]:
    """Next corner with metres to its brake point, and a line under it that shrinks to nothing there."""
    if not view.next_corner:
        return []
    cap, m = size.text_cap, size.margin
    items: list[Item] = []
    room = width
    metres = countdown_text(view.to_brake_m)
    if metres:
        w = measure("8888 m", cap)[0]
        real = measure(metres, cap)[0]
        items.append(_label(metres, cap, left + width - real, top, TEXT, measure))
        room = width - w - m
    name = fit(shown(view.next_corner), cap, room, measure)
    items.append(_label(name, cap, left, top, DIM if not metres else TEXT, measure))
    if metres:
        y = top + measure("Ag", cap)[1]
        steps = 30
        share = math.ceil(min(1.0, view.to_brake_m / COUNTDOWN_M) * steps) / steps
        items.append(Rect((left, y, width, max(3, m // 3)), TROUGH))
        items.append(Rect((left, y, round(width * share), max(3, m // 3)), TEXT))
    return items
