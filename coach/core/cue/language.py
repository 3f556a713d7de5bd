"""Language data that the core fills into texts: numbers, boards, ordinals, joining words; English is built in.

The core reads no files, so a library user speaks English without one. A language file gives the same fields
(``coach.profile.language_file``), and a test compares ``profiles/words/en.yaml`` with ENGLISH.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Final, Literal

import msgspec

from coach.core.cue.information_units import ENGLISH_LEXICON, Lexicon
from coach.core.unit_system import LengthUnit

Pairs = tuple[tuple[str, str], ...]
"""A small table as hashable pairs."""
TwoForms = tuple[str, str]
"""The long form and the short one."""
Side = Literal["at", "before", "after"]

_SMALL: Final = {25: "twenty-five", 50: "fifty", 75: "seventy-five"}
_COUNT: Final = ("", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


class Language(msgspec.Struct, frozen=True, cache_hash=True):
    """One spoken language. Tables are pairs of key and text.

    ``boards``: number on the board, long name, short name; a number not listed is spoken as digits. ``kerbs``:
    "entry use" and so on, long, short. ``next_time`` holds {text}, ``half_way`` {corner}, ``lengths`` {n},
    the goal "board" {board}.
    """

    code: str
    numbers: tuple[tuple[int, str], ...]
    tenths: tuple[str, ...]
    ordinals: tuple[str, ...]
    boards: tuple[tuple[int, str, str], ...]
    sides: Pairs
    lengths: Pairs
    apexes: Pairs
    directions: Pairs
    kerbs: tuple[tuple[str, str, str], ...]
    slopes: tuple[tuple[str, str, str], ...]
    next_time: str
    half_way: str
    answers: Pairs = ()
    goals: Pairs = ()
    lexicon: Lexicon = ENGLISH_LEXICON

    def number(self, n: int) -> str:
        """Return ``n`` as a word, in digits if the language file has none."""
        return dict(self.numbers).get(n, str(n))

    def ordinal(self, gear: int | None) -> str:
        """Return "second" for 2; "" for none and beyond the table."""
        return self.ordinals[gear - 1] if gear is not None and 1 <= gear <= len(self.ordinals) else ""

    def board(self, number: float, form: str) -> str:
        """Return a braking board as drivers name it: "the hundred"."""
        return _boards(self).get(round(number), (str(round(number)),) * 2)[form == "short"]

    def side(self, where: Side) -> str:
        """Return the word for at, before or after a board."""
        return dict(self.sides)[where]

    def length(self, n: int, unit: LengthUnit) -> str:
        """Return a spoken distance: "five metres"."""
        return dict(self.lengths)[unit].replace("{n}", self.number(n))

    def answer(self, key: str) -> str:
        """Return what is said when a button is pressed; the English text if the language has none."""
        return dict(self.answers).get(key) or dict(ENGLISH.answers).get(key, "")

    def goal(self, mark: str, board: str = "") -> str:
        """Return the mark that a driver works towards, "" if the language has no text for it."""
        return dict(self.goals).get(mark, "").replace("{board}", board)

    def apex(self, kind: str) -> str:
        """Return the apex kind for use before the word for apex."""
        return dict(self.apexes)[kind]

    def direction(self, direction: str) -> str:
        """Return "left" or "right"."""
        return dict(self.directions)[direction]

    def kerb(self, where: str, use: str, form: str) -> str:
        """Return how to drive a kerb: "use the inside kerb"."""
        return next(two[form == "short"] for key, *two in self.kerbs if key == f"{where} {use}")

    def slope(self, way: str, form: str) -> str:
        """Return the words for a braking zone's gradient."""
        return next(two[form == "short"] for key, *two in self.slopes if key == way)


@lru_cache(maxsize=64)
def _boards(language: Language) -> Mapping[int, TwoForms]:
    return {n: (long, short) for n, long, short in language.boards}


def _english_board(n: int) -> TwoForms:
    hundreds, rest = divmod(n, 100)
    count = _COUNT[hundreds]
    if not hundreds:
        return (f"the {_SMALL[rest]}",) * 2
    if not rest:
        return ("the hundred" if hundreds == 1 else f"{count} hundred",) * 2
    first = "the hundred" if hundreds == 1 else f"{count} hundred"
    return f"{first} and {_SMALL[rest]}", f"{count} {_SMALL[rest]}"


ENGLISH: Final = Language(
    code="en",
    numbers=(
        (5, "five"), (10, "ten"), (15, "fifteen"), (20, "twenty"), (25, "twenty-five"), (30, "thirty"),
        (45, "forty-five"), (60, "sixty"), (75, "seventy-five"), (90, "ninety"),
    ),
    tenths=("one tenth", "two tenths", "three tenths", "four tenths", "half a second", "six tenths",
            "seven tenths", "eight tenths", "nine tenths", "a second"),
    ordinals=("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth"),
    boards=tuple((n, *_english_board(n)) for n in range(25, 501, 25)),
    sides=(("at", "at"), ("before", "before"), ("after", "after")),
    lengths=(("metres", "{n} metres"), ("feet", "{n} feet"), ("yards", "{n} yards")),
    apexes=(("early", "early"), ("mid", "mid"), ("late", "late")),
    directions=(("left", "left"), ("right", "right")),
    kerbs=tuple(
        (f"{key} {use}", f"{use} the {where} kerb" if use != "avoid" else f"not over the {where} kerb",
         f"{use} the {where} kerb" if use != "avoid" else f"no {where} kerb")
        for key, where in (("entry", "entry"), ("apex", "inside"), ("exit", "outside"))
        for use in ("use", "touch", "avoid")
    ),
    # earlier is safe; later is spoken only about measured passes
    slopes=(
        ("downhill", "downhill, brake earlier", "downhill braking"),
        ("uphill", "uphill braking", "uphill braking"),
    ),
    next_time="{text} next time",
    half_way="{corner}, half way, again",
    answers=(
        ("quiet_lap", "quiet this lap"), ("mark", "marked"), ("right", "good, nothing to correct"),
        ("right short", "good corner"), ("no rule", "no cue for that corner"),
    ),
    goals=(("board", "to {board}"), ("kerb", "where the kerb ends")),
)  # fmt: skip
"""Common practice, no source: how drivers say it."""
