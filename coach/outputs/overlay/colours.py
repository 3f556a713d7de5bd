"""The overlay's colours with their meanings; none carries a meaning alone.

Sky blue and orange are the pair of the Okabe-Ito palette (Wong 2011, Nature Methods 8:441) that stays apart for
the three kinds of colour blindness.
"""

from __future__ import annotations

from typing import Final

Colour = tuple[int, int, int]

GROUND: Final[Colour] = (0x0C, 0x0E, 0x12)
TROUGH: Final[Colour] = (0x2A, 0x2F, 0x38)
TEXT: Final[Colour] = (0xF2, 0xF4, 0xF7)
DIM: Final[Colour] = (0xA8, 0xB0, 0xBC)
GAINED: Final[Colour] = (0x56, 0xB4, 0xE9)
LOST: Final[Colour] = (0xE6, 0x9F, 0x00)

TEXT_COLOURS: Final = {"text": TEXT, "dim": DIM, "gained": GAINED, "lost": LOST}
"""Every text colour: each needs a contrast of 4.5 on the ground."""


def mixed(colour: Colour, share: float, ground: Colour = GROUND) -> Colour:
    """Return ``colour`` laid over ``ground`` with opacity ``share`` (0..1)."""
    return (
        round(ground[0] + (colour[0] - ground[0]) * share),
        round(ground[1] + (colour[1] - ground[1]) * share),
        round(ground[2] + (colour[2] - ground[2]) * share),
    )


def web_colour(colour: Colour) -> str:
    """Return ``colour`` as a hex code: ``#56b4e9``."""
    return "#" + bytes(colour).hex()
