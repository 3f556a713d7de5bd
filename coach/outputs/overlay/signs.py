"""The draw items of the overlay, and the sign of each state without a number: a shape and a word."""

from __future__ import annotations

import math
from typing import NamedTuple

from coach.outputs.overlay.colours import DIM, TEXT, Colour
from coach.outputs.overlay.legible import Size
from coach.outputs.overlay.texts import WORDS, Measure, Mode, fit

Box = tuple[int, int, int, int]
Points = tuple[tuple[int, int], ...]


class Rect(NamedTuple):
    """A filled box."""

    box: Box
    colour: Colour


class Shape(NamedTuple):
    """A filled polygon, or its outline when ``line`` is its width [px]."""

    points: Points
    colour: Colour
    line: int = 0


class TextLabel(NamedTuple):
    """A line of text: capital height [px], and the box it takes."""

    text: str
    cap: int
    box: Box
    colour: Colour


Item = Rect | Shape | TextLabel


def label(text: str, cap: int, x: int, y: int, colour: Colour, measure: Measure) -> TextLabel:
    """Return ``text`` with its left top corner at ``x``, ``y``."""
    w, h = measure(text, cap)
    return TextLabel(text, cap, (x, y, w, h), colour)


def sign(mode: Mode, size: Size, measure: Measure) -> list[Item]:
    """Return shape and word of a state without a number, at the place of the number."""
    side, x, y = size.number_cap, size.margin, size.margin
    line, r = max(2, side // 9), side // 2
    cx, cy = x + r, y + r
    items: list[Item] = []
    if mode == "lost":  # a diamond with a question mark
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
    else:  # ready: a triangle on its side
        items.append(Shape(((x, y), (x + side, cy), (x, y + side)), DIM))
    word_x = x + side + size.margin
    word = fit(WORDS[mode], size.text_cap, size.width - word_x - size.margin, measure)
    items.append(label(word, size.text_cap, word_x, cy - measure(word, size.text_cap)[1] // 2, TEXT, measure))
    return items


def _ring(cx: int, cy: int, r: int, corners: int) -> Points:
    turn = 2 * math.pi / corners
    return tuple((round(cx + r * math.cos(i * turn)), round(cy + r * math.sin(i * turn))) for i in range(corners))


def _centred(text: str, cap: int, cx: int, cy: int, colour: Colour, measure: Measure) -> TextLabel:
    w, h = measure(text, cap)
    return label(text, cap, cx - w // 2, cy - h // 2, colour, measure)
