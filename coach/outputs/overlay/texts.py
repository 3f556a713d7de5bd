"""The overlay's words and signs for each state and for its keys, in letters that fit."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, Literal, NamedTuple

from coach.core.unit_system import METRIC, SYSTEMS, Units
from coach.core.values import LapDone, View
from coach.outputs.overlay.colours import DIM, TEXT, Colour
from coach.outputs.overlay.legible import Size

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


Measure = Callable[[str, int], tuple[int, int]]
"""Width and height [px] of a text whose capitals have the given height [px]."""

Mode = Literal["ready", "untimed", "live", "lost", "no_feed", "pit"]

WORDS: dict[Mode, str] = {
    "ready": "ready",
    "untimed": "first lap",
    "live": "",
    "lost": "position lost",
    "no_feed": "no data",
    "pit": "in the pits",
}


KEYS: Final = (
    ("mouse", "drag to move"),
    ("arrows", "move 10 pixels, 1 with Shift"),
    ("1 2 3", "small, medium, large"),
    ("- +", "more or less see-through"),
    ("C", "back to top centre"),
    ("L", "lock: clicks reach the simulator"),
    ("Esc", "hide, and show again"),
    ("H", "this list"),
)
"""Keys of the window while it has the focus (click on it): name and effect."""

UNLOCK: Final = "To unlock: coach overlay --unlock"
HIDDEN: Final = "Esc shows the overlay"


def keys_line() -> str:
    """Return the keys in one line, for the terminal."""
    return "; ".join(f"{key}: {effect}" for key, effect in KEYS)


def mode_of(view: View | None, fresh: bool = True) -> Mode:
    """Return which of the six pictures to show; ``fresh`` is false once views stop."""
    if view is None:
        return "ready"
    if not fresh or view.state == "waiting":
        return "no_feed"
    if view.state == "lost":
        return "lost"
    if view.state == "pit":
        return "pit"
    return "live" if math.isfinite(view.delta_s) else "untimed"


def delta_text(delta_s: float) -> str:
    """Return sign and number: ``+0.24`` slower, ``−0.24`` faster; two decimals, one from ten seconds on."""
    size = abs(delta_s)
    digits = f"{size:.2f}" if size < 9.995 else f"{min(size, 99.9):.1f}"
    if float(digits) == 0.0:
        return "0.00"
    return ("+" if delta_s > 0 else "\u2212") + digits


def lap_text(lap: LapDone) -> str:
    """Return a lap's number, time and difference, for the moment after the line: ``lap 3  1:32.41  -0.24``."""
    minutes, seconds = divmod(round(lap.time_s, 2), 60.0)
    time = f"{minutes:.0f}:{seconds:05.2f}" if minutes else f"{seconds:.2f}"
    difference = f"  {delta_text(lap.delta_s)}" if math.isfinite(lap.delta_s) else ""
    return f"lap {lap.lap}  {time}{difference}"


def system_of(view: View) -> Units:
    """Return the unit system of ``view``; metric for a name from a later version."""
    return SYSTEMS.get(view.units, METRIC)


def countdown_text(to_brake_m: float, system: Units = METRIC) -> str:
    """Return the distance to the brake point in steps of 10 m, 10 yd or 50 ft, rounded up; "" if none is ahead.

    A running number is unreadable (common practice, no source).
    """
    if not math.isfinite(to_brake_m) or to_brake_m <= 0:
        return ""
    step = 50 if system.spoken == "feet" else 10
    return f"{max(1, math.ceil(to_brake_m * system.per_m / step)) * step} {system.length}"


def shown(text: str) -> str:
    """Return ``text`` without control characters, which a font cannot draw."""
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text).strip()


def fit(text: str, cap: int, width: int, measure: Measure) -> str:
    """Return ``text``, or as much of its beginning as fits with an ellipsis."""
    if measure(text, cap)[0] <= width:
        return text
    for end in range(len(text) - 1, 0, -1):
        short = text[:end].rstrip(" ,") + "\u2026"
        if measure(short, cap)[0] <= width:
            return short
    return ""


def wrap(text: str, cap: int, width: int, lines: int, measure: Measure) -> list[str]:
    """Return ``text`` in at most ``lines`` lines, the last cut with an ellipsis if necessary."""
    out: list[str] = []
    rest = text.split()
    while rest and len(out) < lines - 1:
        take = 1
        while take < len(rest) and measure(" ".join(rest[: take + 1]), cap)[0] <= width:
            take += 1
        out.append(fit(" ".join(rest[:take]), cap, width, measure))
        rest = rest[take:]
    if rest:
        out.append(fit(" ".join(rest), cap, width, measure))
    return out
