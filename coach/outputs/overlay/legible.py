"""Letter sizes readable at arm's length, and the overlay's three sizes derived from them.

ISO 9241-303 (from memory): characters at least 16 minutes of arc high, 20 to 22 preferred; the height is that
of a capital letter without accent.
"""

from __future__ import annotations

import math
from typing import Final, Literal, NamedTuple

from coach.errors import OutputError

VIEWING_MM = 700.0
LEAST_ARCMIN = 20.0
FINE_PITCH_MM = 0.2335  # 109 pixels an inch: the finest common desk screen that is used without scaling

SizeName = Literal["small", "medium", "large"]


def height_mm(arcmin: float, viewing_mm: float = VIEWING_MM) -> float:
    """Return the height [mm] that subtends ``arcmin`` minutes of arc from ``viewing_mm`` away."""
    return 2 * viewing_mm * math.tan(math.radians(arcmin / 60) / 2)


def height_px(arcmin: float, pitch_mm: float = FINE_PITCH_MM, viewing_mm: float = VIEWING_MM) -> int:
    """Return the same in whole pixels of ``pitch_mm``, rounded up."""
    return math.ceil(height_mm(arcmin, viewing_mm) / pitch_mm)


class Size(NamedTuple):
    """Pixels of one overlay size: width, margin, delta bar height, capital heights of cue, number and other text.

    The window's height is not among them: it is that of what is shown.
    """

    width: int
    margin: int
    bar: int
    text_cap: int
    number_cap: int
    cue_cap: int


NUMBER_TO_TEXT: Final = 1.4
CUE_TO_TEXT: Final = 1.75
"""The cue is the largest text, the number comes next; corner and distance are the least that can be read."""

_FACTORS: dict[SizeName, float] = {"small": 1.0, "medium": 1.3, "large": 1.7}
SIZE_NAMES: tuple[SizeName, ...] = tuple(_FACTORS)


def size_of(name: str, scale: float = 1.0) -> Size:
    """Return the pixels of size ``name`` on a screen whose desktop scale is ``scale`` (1 for a common desk screen).

    Raise OutputError for an unknown size or a scale outside 0.5 to 4.
    """
    factor = next((f for n, f in _FACTORS.items() if n == name), None)
    if factor is None:
        raise OutputError(f"overlay size: expected {', '.join(SIZE_NAMES)}, found {name!r}")
    if not 0.5 <= scale <= 4.0:
        raise OutputError(f"overlay scale: expected 0.5 to 4, found {scale:g}")
    k = factor * scale
    cap = math.ceil(height_px(LEAST_ARCMIN) * k)
    return Size(
        round(470 * k),
        round(10 * k),
        max(6, round(9 * k)),
        cap,
        math.ceil(cap * NUMBER_TO_TEXT),
        math.ceil(cap * CUE_TO_TEXT),
    )
