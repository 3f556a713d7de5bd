"""Words of calls about lap times, track limits and the pit stop: numbers as drivers say them, in few pieces.

A text joins pieces at its commas, each rendered once, so a lap time is two pieces ("one thirty-one", "four") and a gap
one. Only seconds around the reference's lap time are rendered; other times are not spoken.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from itertools import product
from typing import Final

from coach.core.cue.rules import CueRule
from coach.core.values import Corner

ONES: Final = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
               "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen")  # fmt: skip
TENS: Final = ("", "", "twenty", "thirty", "forty", "fifty")
LAPS_FROM: Final = 0.9
LAPS_TO: Final = 1.3
"""Range of spoken lap times as shares of the reference's (common practice, no source)."""
LEVEL: Final = "level"
HALVES: Final = ("a second", "one and a half", "two seconds", "two and a half", "three seconds", "over three seconds")
COUNTS: Final = ("track limits", "two", "three", "four", "five", "six")
"""The first, and the sixth and later ones."""
SECTORS: Final = 2
ALONE: Final = frozenset({"lap", "gap", "advice"})
"""Placeholders that must be alone between commas, to limit the number of pieces."""
PLACEHOLDERS: Final[Mapping[str, frozenset[str]]] = {
    "lap": frozenset({"lap", "gap"}),
    "best": frozenset({"lap", "gap"}),
    "same": frozenset({"lap", "gap"}),
    "drop_off": frozenset({"lap", "gap"}),
    "sector": frozenset({"sector", "gap"}),
    "limits": frozenset({"count", "corner"}),
    "unsteady": frozenset({"corner"}),
    "better": frozenset({"corner"}),
    "next": frozenset({"corner", "advice"}),
}
"""Subject of a call -> its placeholders."""
_SLOT: Final = re.compile(r"\{([^{}]*)\}")


def number(n: int) -> str:
    """Return ``n`` from 0 to 59 in words."""
    if n < len(ONES):
        return ONES[n]
    tens, one = divmod(n, 10)
    return f"{TENS[tens]}-{ONES[one]}" if one else TENS[tens]


def _whole(seconds: int) -> str:
    """Return whole seconds as drivers say them: 91 is "one thirty-one", 65 "one oh five"."""
    minutes, rest = divmod(seconds, 60)
    if not minutes:
        return number(rest)
    head = number(min(minutes, 59))
    if not rest:
        return f"{head} minutes" if minutes > 1 else "one minute"
    return f"{head} {number(rest)}" if rest > 9 else f"{head} oh {number(rest)}"


def said_seconds(reference_s: float) -> range:
    """Return the whole seconds of spoken lap times, for a reference's lap time [s]."""
    return range(int(reference_s * LAPS_FROM), int(reference_s * LAPS_TO) + 1)


def lap_words(time_s: float, reference_s: float) -> str:
    """Return a lap time: 91.38 s is "one thirty-one, four"; "" for one outside the spoken range."""
    if not math.isfinite(time_s):
        return ""
    seconds, tenth = divmod(round(time_s * 10), 10)
    return f"{_whole(seconds)}, {ONES[tenth]}" if seconds in said_seconds(reference_s) else ""


def brief_lap_words(lap: str) -> str:
    """Return the words of a lap time without its minute: "thirty-one, four"; "" if there is none to leave out."""
    head, _, tenth = lap.partition(", ")
    minute, _, rest = head.partition(" ")
    return f"{rest}, {tenth}" if minute in ONES and rest and not rest.startswith("minute") else ""


def call_forms(rule: CueRule, values: Mapping[str, str]) -> tuple[str, ...]:
    """Return the texts of a call from long to short: all of it, without the gap, then without the minute."""
    without_gap = rule.long.removesuffix(", {gap}")
    brief = {**values, "lap": brief_lap_words(values.get("lap", ""))}
    some = [fill(rule.long, values), fill(without_gap, values), fill(without_gap, brief)]
    some += [fill(rule.short, values), fill(rule.short, brief)]
    return tuple(dict.fromkeys(text for text in some if text))


def gap_words(gap_s: float) -> str:
    """Return a difference: -0.21 s is "two tenths up", 0.4 s "four tenths down"; from a second on in halves; "" for
    none.
    """
    if not math.isfinite(gap_s):
        return ""
    tenths = round(abs(gap_s) * 10)
    if not tenths:
        return LEVEL
    side = "up" if gap_s < 0 else "down"
    if tenths < 10:
        return f"{ONES[tenths]} tenth{'s' if tenths > 1 else ''} {side}"
    return f"{HALVES[min(round(abs(gap_s) * 2) - 2, len(HALVES) - 1)]} {side}"


def count_words(count: int) -> str:
    """Return the words for track-limit counts at a corner: first "track limits", then the number."""
    return COUNTS[min(count, len(COUNTS)) - 1]


def fill(template: str, values: Mapping[str, str]) -> str:
    """Return ``template`` with its placeholders filled; "" if one cannot be filled."""
    if not all(values.get(name) for name in _SLOT.findall(template)):
        return ""
    return _SLOT.sub(lambda m: values[m.group(1)], template)


def not_alone(template: str) -> list[str]:
    """Return the placeholders that wrongly share a piece with other words."""
    parts = template.split(", ")
    return [name for part in parts for name in _SLOT.findall(part) if name in ALONE and part != f"{{{name}}}"]


def pieces(calls: Iterable[CueRule], corners: Iterable[Corner], reference_s: float = math.nan) -> Iterator[str]:
    """Yield every piece of ``calls``; without a reference's lap time [s] no lap times."""
    names = [c.say or c.name for c in corners]
    seconds = [_whole(s) for s in said_seconds(reference_s)] if math.isfinite(reference_s) else []
    brief = [brief_lap_words(f"{s}, zero").removesuffix(", zero") for s in seconds]
    tenths = [0.1 * n for n in range(10)] + [1.0 + 0.5 * n for n in range(len(HALVES))]
    domains: dict[str, list[str]] = {
        "lap": list(dict.fromkeys([*seconds, *filter(None, brief), *ONES[:10]])) if seconds else [],
        "gap": list(dict.fromkeys(gap_words(side * gap) for gap in tenths for side in (1.0, -1.0))),
        "sector": [number(n + 1) for n in range(SECTORS)],
        "count": list(COUNTS),
        "corner": names,
        "advice": [],
    }
    for rule in calls:
        for template in (rule.long, rule.short):
            for part in template.split(", "):
                slots = _SLOT.findall(part)
                for values in product(*(domains[slot] for slot in slots)):
                    yield fill(part, dict(zip(slots, values, strict=True)))
