"""The load of a spoken cue: words and information units, by an explicit counting rule.

Gatling 1975 (FHWA-RD-75-73) found that a spoken message should hold at most four information units. Our own rule for
units on a lap: one action, one place, one gear, one apex kind, one quantity or manner, one named object each count one.
Joining words count nothing; a word missing in the lexicon counts one, so that an unknown text is judged too long rather
than too short.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from typing import Final

import msgspec

_NUMBER = (
    r"(?:(?:one|two|three) fifty|(?:(?:a|one|two|three) )?hundred(?: and)?(?: fifty| twenty[- ]five| seventy[- ]five)?"
    r"|one|two|three|four|five|six|seven|eight|nine|ten|eleven|twelve|fifteen|twenty[- ]five|twenty|thirty"
    r"|forty[- ]five|fifty|sixty|seventy[- ]five|ninety|\d+)"
)
_ORDINAL = r"(?:first|second|third|fourth|fifth|sixth|seventh|eighth)"
_SIDE = r"(?:the )?(?:entry|inside|outside|exit|apex|inner|outer|left|right|next|last|whole)"

LEXICON: Final[tuple[tuple[str, str], ...]] = (
    # kind, pattern; the longest match at a position of the text counts one
    ("gear", rf"{_ORDINAL} gear|{_ORDINAL}(?= or )|(?:a )?(?:higher|lower) gear|(?:one )?gear (?:up|down)|gear"),
    ("apex", r"(?:early|mid|middle|late|later|earlier) apex"),
    ("quantity", rf"{_NUMBER} (?:metres?|meters?|yards?|feet|tenths?)(?: (?:later|earlier|sooner|longer|more|less))?"),
    ("quantity", r"(?:a |half a )(?:tenth|second)|a (?:little|touch|bit)(?: (?:later|earlier|more|less|harder))?"),
    ("place", rf"(?:(?:just )?(?:before|after) )?(?:the )?{_NUMBER}(?: board| metre board)?"),
    ("place", rf"{_SIDE} (?:kerbs?|edge|line|wheel|side|exit)|(?:the )?kerb (?:ends|starts)|mid[- ]?track|middle"),
    ("place", r"track limits?|white line|kerbs?|apex|entry|exit|board|straight|outside|inside|corner|edge|line|road"),
    ("action", r"not over|stay(?:s)? (?:off|on|out|in|wide|tight)?|keep (?:off|on|out|in|it)?|turn(?: in)?"),
    ("action", r"(?:carry|use|touch|hit|avoid|hold|open|release|brake|braking|throttle|lift|look|wait|roll|aim|miss)"),
    ("action", r"(?:come|go|get|let|run|squeeze|build|shift|change|accelerate|coast(?:ing)?|push|press|trail|give)"),
    ("manner", r"(?:all )?(?:later|earlier|sooner|slowly|slower|gently|smoothly|softly|softer|harder|hard|firmly)"),
    ("action", r"ease off|let it run out|trail it in|track out|(?:on|off) (?:the )?(?:power|brakes?)"),
    ("quantity", r"more speed(?: in)?|more (?:pedal|brake|power)|all the road|no more|flat"),
    ("manner", r"next time|half way"),
    ("manner", r"(?:more|less|full|fully|early|late|longer|shorter|wider|wide|tighter|tight|straight away|at once)"),
    ("manner", r"(?:down|up|off|over|again|before|after|just|light|lightly|good|better|done|fixed|no|not|never)"),
    ("object", r"(?:brake|braking) point|corner speed|bumps?|crest|dip|camber|grip|surface|slippery|speed|foot"),
    ("object", r"pedal|car|rear|front|wheels?|gap"),
    ("object", r"(?:downhill|uphill|penalty|slows?|limits?|pressure)"),
)  # fmt: skip
FILLERS: Final = frozenset(
    "the a an at to in of on it its it's and or your is are you can with for from into onto by where when until "
    "till then than as be that this here there all through still too them but so".split()
)
_TOKEN = re.compile(r"[\w'-]+")


class Lexicon(msgspec.Struct, frozen=True, cache_hash=True):
    """The counting rule of one language: ``entries`` are kind and pattern, ``fillers`` count nothing."""

    entries: tuple[tuple[str, str], ...]
    fillers: frozenset[str]


ENGLISH_LEXICON: Final = Lexicon(LEXICON, FILLERS)


def words(text: str) -> int:
    """Return the number of spoken words; punctuation does not count, "mid-track" is one word."""
    return len(_TOKEN.findall(text))


def units(text: str, names: Iterable[str] = (), lexicon: Lexicon = ENGLISH_LEXICON) -> tuple[str, ...]:
    """Return the information units of ``text``, in order, as the pieces of text that each count one.

    ``names`` are the spoken names of corners; each is one unit however many words it has.
    """
    spoken = tuple(sorted({n.lower() for n in names if n}, key=len, reverse=True))
    return _units(" ".join(text.lower().split()), spoken, lexicon)


@lru_cache(16)
def _patterns(lexicon: Lexicon) -> tuple[re.Pattern[str], ...]:
    return tuple(re.compile(rf"(?:{pattern})(?![\w'-])") for _, pattern in lexicon.entries)


@lru_cache(4096)
def _units(rest: str, spoken: tuple[str, ...], lexicon: Lexicon) -> tuple[str, ...]:
    out: list[str] = []
    at = 0
    while at < len(rest):
        piece = next((n for n in spoken if _starts(rest, at, n)), "")
        if not piece:
            found = [m.group() for p in _patterns(lexicon) if (m := p.match(rest, at))]
            piece = max(found, key=len, default="").strip()
        if piece:
            out.append(piece)
            at += len(piece)
            continue
        token = _TOKEN.match(rest, at)
        if token is None:
            at += 1
            continue
        if token.group() not in lexicon.fillers:
            out.append(token.group())
        at = token.end()
    return tuple(out)


def _starts(text: str, at: int, name: str) -> bool:
    end = at + len(name)
    return text.startswith(name, at) and (end == len(text) or not (text[end].isalnum()))
