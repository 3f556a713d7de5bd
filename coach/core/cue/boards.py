"""Braking boards: the board of a corner, and its name."""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache
from typing import Final, get_args

import msgspec

from coach.core.cue.language import ENGLISH, Language, Side
from coach.core.cue.rules import Form
from coach.core.unit_system import METRIC, Units
from coach.core.values import Corner

AT_BOARD_M: Final = 7.5
NEAR_BOARD_M: Final = 22.5
"""A brake point this near a board is "at" it, or "before" or "after" it; farther away the board is not named."""
ROUND_BOARD: Final = 25
"""Boards show multiples of it; a place within ROUND_WITHIN of one is that board (common practice)."""
ROUND_WITHIN: Final = 4.0


class BoardPlace(msgspec.Struct, frozen=True):
    """The board of a corner: side of the brake point, place, and number.

    ``brakes_m``: the brake point implied by a text with this board [m along the reference].
    """

    side: Side
    number: float
    brakes_m: float


@lru_cache(maxsize=1024)
def board_place(corner: Corner, units: Units = METRIC) -> BoardPlace | None:
    """Return the braking board nearest the brake point; None without braking or a board near enough."""
    if not corner.boards_m or not math.isfinite(corner.brake_m):
        return None
    distance = corner.turn_in_m - corner.brake_m
    board = min(corner.boards_m, key=lambda b: (abs(b - distance), b))
    off = distance - board
    if abs(off) > NEAR_BOARD_M:
        return None
    if abs(off) <= AT_BOARD_M:
        return BoardPlace("at", _reads(board, units), corner.turn_in_m - board)
    return BoardPlace("before" if off > 0 else "after", _reads(board, units), corner.brake_m)


def _reads(board_m: float, units: Units) -> float:
    """Return the number on a board that stands ``board_m`` before the turn-in."""
    number = board_m * units.board_per_m
    nearest = ROUND_BOARD * round(number / ROUND_BOARD)
    return nearest if units.board_per_m != 1.0 and nearest and abs(number - nearest) <= ROUND_WITHIN else number


def board_named(corner: Corner, texts: Iterable[str], language: Language = ENGLISH, units: Units = METRIC) -> float:
    """Return the brake point implied by the driver's own words [m]; NaN if none of ``texts`` names the board."""
    place = board_place(corner, units)
    if place is None:
        return math.nan
    names = [language.board(place.number, form) for form in get_args(Form)]
    return place.brakes_m if any(name in text for name in names for text in texts) else math.nan
