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
_ONES: Final = (
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen"
    " eighteen nineteen"
).split()
_TENS: Final = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")


class Language(msgspec.Struct, frozen=True, cache_hash=True):
    """One spoken language. Tables are pairs of key and text.

    ``boards``: number on the board, long name, short name; a number not listed is spoken as digits. ``kerbs``:
    "entry use" and so on, long, short. ``next_time`` holds {text}, ``half_way`` {corner}, ``still`` {corner}, {step}
    and {total}, ``lengths`` and ``totals`` {n}, the goal "board" {board}, ``gaps`` {gap}. ``tenths`` are differences of
    0.1 to 1 s, ``half_seconds`` those of 1.5, 2, 2.5, 3 s and above; ``counts`` the track limits at one place, the
    first to the sixth and later.
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
    totals: Pairs = ()
    still: str = ""
    first_laps: Pairs = ()
    lap_time: Pairs = ()
    gaps: Pairs = ()
    half_seconds: tuple[str, ...] = ()
    counts: tuple[str, ...] = ()
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

    def total(self, n: int, unit: LengthUnit) -> str:
        """Return a spoken distance after "of": "of twenty-five metres"."""
        return (dict(self.totals).get(unit) or dict(self.lengths)[unit]).replace("{n}", self.number(n))

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


def _english_number(n: int) -> str:
    tens, ones = divmod(n, 10)
    return _ONES[n] if n < len(_ONES) else _TENS[tens - 2] + (f"-{_ONES[ones]}" if ones else "")


def _english_board(n: int) -> TwoForms:
    hundreds, rest = divmod(n, 100)
    count = _ONES[hundreds]
    if not hundreds:
        return (f"the {_SMALL[rest]}",) * 2
    if not rest:
        return ("the hundred" if hundreds == 1 else f"{count} hundred",) * 2
    first = "the hundred" if hundreds == 1 else f"{count} hundred"
    return f"{first} and {_SMALL[rest]}", f"{count} {_SMALL[rest]}"


ENGLISH: Final = Language(
    code="en",
    numbers=tuple((n, _english_number(n)) for n in (*range(60), 60, 75, 90)),
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
    still="{corner}, still {step} of {total}",
    answers=(
        ("quiet_lap", "quiet this lap"), ("mark", "marked"), ("right", "good, nothing to correct"),
        ("right short", "good corner"), ("no rule", "no cue for that corner"),
    ),
    goals=(
        ("board", "to {board}"), ("kerb", "where the kerb ends"), ("entry kerb", "where the kerb starts"),
        ("exit kerb", "until the kerb ends"),
    ),
    totals=(("metres", "{n} metres"), ("feet", "{n} feet"), ("yards", "{n} yards")),
    first_laps=(
        ("more", "{count} laps more"), ("one more", "one lap more"), ("saved", "reference saved"),
        ("known", "this circuit is known"),
    ),
    lap_time=(
        ("seconds", "{minutes} {seconds}"), ("few seconds", "{minutes} oh {seconds}"),
        ("no seconds", "{minutes} oh oh"), ("tenth", "point {tenth}"),
    ),
    gaps=(("up", "{gap} up"), ("down", "{gap} down"), ("level", "level")),
    half_seconds=(
        "a second and a half", "two seconds", "two and a half seconds", "three seconds", "over three seconds",
    ),
    counts=("track limits", "that's two", "that's three", "that's four", "that's five", "track limits again"),
)  # fmt: skip
"""Common practice, no source: how drivers say it."""
