"""Braking boards: which one a corner is braked by, and how it is called."""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache
from typing import Final, get_args

from coach.core.rules import Form
from coach.core.values import Corner

AT_BOARD_M: Final = 7.5
NEAR_BOARD_M: Final = 22.5
"""A brake point this near a board is "at" it, or "before" or "after" it; farther away the board is not named."""
_SMALL: Final = {25: "twenty-five", 50: "fifty", 75: "seventy-five"}


def board_name(board_m: float, form: Form) -> str:
    """A braking board as drivers name it: "the hundred", long "the hundred and fifty", short "one fifty"."""
    hundreds, rest = divmod(round(board_m), 100)
    if hundreds > 9 or (rest and rest not in _SMALL):
        return str(round(board_m))
    count = ("", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")[hundreds]
    if not hundreds:
        return f"the {_SMALL[rest]}" if rest else ""
    if not rest:
        return "the hundred" if hundreds == 1 else f"{count} hundred"
    if form == "short":
        return f"{count} {_SMALL[rest]}"
    return f"the hundred and {_SMALL[rest]}" if hundreds == 1 else f"{count} hundred and {_SMALL[rest]}"


@lru_cache(maxsize=1024)
def board_place(corner: Corner, form: Form) -> tuple[str, str]:
    """The braking board nearest the brake point and where the point lies: ("at" | "before" | "after", name).

    ("", "") when there is no braking or no board near enough to brake by.
    """
    board = _board(corner)
    if board != board:
        return "", ""
    off = corner.turn_in_m - corner.brake_m - board
    return ("at" if abs(off) <= AT_BOARD_M else "before" if off > 0 else "after"), board_name(board, form)


def board_goal(corner: Corner) -> str:
    """The board at which the profile brakes, as where the steps lead: "to the hundred"; "" where none is."""
    where, board = board_place(corner, "long")
    return f"to {board}" if where == "at" and board else ""


def board_named(corner: Corner, texts: Iterable[str]) -> float:
    """Where a driver brakes who does as ``texts`` say [m]; NaN when none of them names the board."""
    where, _ = board_place(corner, "long")
    names = [name for form in get_args(Form) if (name := board_place(corner, form)[1])]
    if not any(name in text for name in names for text in texts):
        return math.nan
    return corner.turn_in_m - _board(corner) if where == "at" else corner.brake_m


def _board(corner: Corner) -> float:
    """The board that is near enough to the brake point to brake by [m before turn-in], else NaN."""
    if not corner.boards_m or not math.isfinite(corner.brake_m):
        return math.nan
    distance = corner.turn_in_m - corner.brake_m
    board = min(corner.boards_m, key=lambda b: (abs(b - distance), b))
    return board if abs(distance - board) <= NEAR_BOARD_M else math.nan
