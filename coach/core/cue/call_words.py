"""Texts of calls about lap times, track limits and the pit stop: the language's numbers, in few pieces.

A text joins pieces, each rendered once: a lap time is two ("one thirty-one", "point four") and a gap one. Only seconds
around the reference's lap time are rendered; other times are not spoken.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from itertools import product
from typing import Final

from coach.core.cue.language import ENGLISH, Language
from coach.core.cue.rules import CueRule
from coach.core.cue.spoken_pieces import COMMA, JOINT
from coach.core.values import Corner

LAPS_FROM: Final = 0.9
LAPS_TO: Final = 1.3
"""Range of spoken lap times as shares of the reference's (common practice, no source)."""
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
    "mark": frozenset({"corner"}),
    "better": frozenset({"corner"}),
    "next": frozenset({"corner", "advice"}),
    "another_car": frozenset(),
    "grip_down": frozenset(),
    "grip_up": frozenset(),
    "usual": frozenset(),
}
"""Subject of a call -> its placeholders."""
GAP_AT_END: Final = f"{COMMA}{{gap}}"
_SLOT: Final = re.compile(r"\{([^{}]*)\}")


def _whole(seconds: int, language: Language, brief: bool = False) -> str:
    """Return whole seconds: 91 is "one thirty-one", 65 "one oh five"; ``brief``: without the minute, "" if none."""
    minutes, rest = divmod(seconds, 60)
    if not minutes:
        return "" if brief else language.number(rest)
    if not rest and brief:
        return ""
    form = "seconds" if rest > 9 else "few seconds" if rest else "no seconds"
    values = {"minutes": "" if brief else language.number(min(minutes, 59)), "seconds": language.number(rest)}
    return dict(language.lap_time)[form].format(**values).strip()


def said_seconds(reference_s: float) -> range:
    """Return the whole seconds of spoken lap times, for a reference's lap time [s]."""
    return range(int(reference_s * LAPS_FROM), int(reference_s * LAPS_TO) + 1)


def lap_words(time_s: float, reference_s: float, language: Language = ENGLISH, brief: bool = False) -> str:
    """Return a lap time: 91.38 s is "one thirty-one point four"; "" for one outside the spoken range.

    ``brief`` leaves the minute out ("thirty-one point four"), and returns "" if there is none to leave out.
    """
    if not math.isfinite(time_s):
        return ""
    seconds, tenth = divmod(round(time_s * 10), 10)
    whole = _whole(seconds, language, brief) if seconds in said_seconds(reference_s) else ""
    return f"{whole}{JOINT}{_tenth(tenth, language)}" if whole else ""


def _tenth(n: int, language: Language) -> str:
    return dict(language.lap_time)["tenth"].replace("{tenth}", language.number(n))


def call_forms(rule: CueRule, values: Mapping[str, str]) -> tuple[str, ...]:
    """Return the texts of a call from long to short: the minute goes first, then the gap's unit, then the gap.

    ``values`` by placeholder; "brief" is the lap time without its minute, "brief_gap" the gap without its unit. Where
    the words of the rule do not fit, numbers with a gap are still news.
    """
    without_gap = rule.long.removesuffix(GAP_AT_END)
    brief = {**values, "lap": values.get("brief") or values.get("lap", "")}
    briefest = {**brief, "gap": values.get("brief_gap", "")}
    some = [fill(rule.long, values), fill(rule.long, brief), fill(rule.long, briefest)]
    some += [fill(without_gap, values), fill(without_gap, brief)]
    if "{lap}" in rule.long and rule.long.endswith(GAP_AT_END):
        some.append(fill("{lap}" + GAP_AT_END, briefest))
    some += [fill(rule.short, values), fill(rule.short, brief)]
    return tuple(dict.fromkeys(text for text in some if text))


def gap_words(gap_s: float, language: Language = ENGLISH, brief: bool = False) -> str:
    """Return a difference: -0.21 s is "two tenths up", 0.4 s "four tenths down"; from a second on in halves; "" for
    none. ``brief``: below a second without the unit, "two up" (common practice, no source).
    """
    if not math.isfinite(gap_s):
        return ""
    gaps = dict(language.gaps)
    tenths = round(abs(gap_s) * 10)
    if not tenths:
        return gaps["level"]
    amounts = language.tenths
    if tenths >= len(amounts):
        amounts = (amounts[-1], *language.half_seconds)
        amount = amounts[min(round(abs(gap_s) * 2) - 2, len(amounts) - 1)]
    else:
        amount = language.number(tenths) if brief else amounts[tenths - 1]
    return gaps["up" if gap_s < 0 else "down"].replace("{gap}", amount)


def count_words(count: int, language: Language = ENGLISH) -> str:
    """Return the words for track-limit counts at a corner: first "track limits", then the number."""
    return language.counts[min(count, len(language.counts)) - 1]


def fill(template: str, values: Mapping[str, str]) -> str:
    """Return ``template`` with its placeholders filled; "" if one cannot be filled."""
    if not all(values.get(name) for name in _SLOT.findall(template)):
        return ""
    return _SLOT.sub(lambda m: values[m.group(1)], template)


def not_alone(template: str) -> list[str]:
    """Return the placeholders that wrongly share a piece with other words."""
    parts = template.split(COMMA)
    return [name for part in parts for name in _SLOT.findall(part) if name in ALONE and part != f"{{{name}}}"]


def pieces(
    calls: Iterable[CueRule], corners: Iterable[Corner], reference_s: float = math.nan, language: Language = ENGLISH
) -> Iterator[str]:
    """Yield every piece of ``calls``; without a reference's lap time [s] no lap times."""
    seconds = said_seconds(reference_s) if math.isfinite(reference_s) else range(0)
    laps = [_whole(s, language, brief) for brief in (False, True) for s in seconds]
    tenths = [0.1 * n for n in range(10)] + [1.0 + 0.5 * n for n in range(len(language.half_seconds) + 1)]
    domains: dict[str, list[str]] = {
        "lap": list(dict.fromkeys(filter(None, [*laps, *(_tenth(n, language) for n in range(10) if laps)]))),
        "gap": list(
            dict.fromkeys(
                gap_words(side * gap, language, brief)
                for brief in (False, True)
                for gap in tenths
                for side in (1.0, -1.0)
            )
        ),
        "sector": [language.number(n + 1) for n in range(SECTORS)],
        "count": list(language.counts),
        "corner": [c.say or c.name for c in corners],
        "advice": [],
    }
    for rule in calls:
        for template in (rule.long, rule.short):
            for part in template.split(COMMA):
                slots = _SLOT.findall(part)
                for values in product(*(domains[slot] for slot in slots)):
                    yield fill(part, dict(zip(slots, values, strict=True)))
