"""Whether cues worked: compares three passes after a cue with the three before it.

A cue repeated lap after lap is one attempt, so that the attempts do not share passes. A fault often clears without a
cue (regression to the mean), so faults found but not spoken about are the control group: the difference shows the
effect of the words. Intervals are Wilson's (1927) for a share.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from statistics import NormalDist
from typing import Final

import msgspec

from coach.core.cue.rules import CueRule

SPAN: Final = 3
"""Number of passes compared on either side."""
LEVEL: Final = 0.95
NEVER_BELOW: Final = 0.5
"""A wording is dropped if the upper end of its interval is below one half: after four failed attempts."""
_SLOT: Final = re.compile(r"\\\{[^{}]*\\\}")


class PassCosts(msgspec.Struct, frozen=True):
    """One valid pass of a corner, in order: cost of its faults [s] by machine name."""

    session: int
    lap: int
    corner: str
    costs: dict[str, float]


class Said(msgspec.Struct, frozen=True):
    """One correction, spoken or held. ``template`` is the wording with unfilled placeholders."""

    session: int
    lap: int
    corner: str
    fault: str
    rule: str
    template: str
    spoken: bool
    before_corner: bool = True
    """Whether the driver could still respond in the lap it was spoken in."""


class Attempt(msgspec.Struct, frozen=True):
    """A cue and what followed: mean cost [s] of its fault over up to SPAN passes before and after."""

    said: Said
    before_s: float
    after_s: float
    passes_before: int
    passes_after: int
    seen_before: int
    seen_after: int

    @property
    def worked(self) -> bool:
        """Whether the fault occurred in a smaller share of the passes after than before."""
        return self.seen_after * self.passes_before < self.seen_before * self.passes_after


class Share(msgspec.Struct, frozen=True):
    """``worked`` of ``of`` attempts, with the ends of the 95 % interval, and the mean change of cost [s]."""

    worked: int
    of: int
    low: float
    high: float
    change_s: float


def attempts(said: Iterable[Said], passes: Iterable[PassCosts]) -> list[Attempt]:
    """Return every attempt with at least one pass on either side and a fault to fix, in order."""
    track: dict[tuple[int, str], list[PassCosts]] = defaultdict(list)
    for one_pass in passes:
        track[one_pass.session, one_pass.corner].append(one_pass)
    series: dict[tuple[int, str, str, bool], list[Said]] = defaultdict(list)
    for one in said:
        series[one.session, one.corner, one.fault, one.spoken].append(one)
    spoken_laps = {key[:3]: sorted({s.lap for s in group}) for key, group in series.items() if key[3]}
    out = []
    for (session, corner, fault, spoken), group in series.items():
        there = track.get((session, corner), [])
        until = -1
        for one in sorted(group, key=lambda s: s.lap):
            if one.lap <= until:
                continue
            if not spoken and _near(spoken_laps.get((session, corner, fault), []), one.lap):
                continue
            attempt = _attempt(one, there)
            if attempt is not None:
                out.append(attempt)
                until = one.lap + SPAN
    return sorted(out, key=lambda a: (a.said.session, a.said.lap, a.said.corner, a.said.fault))


def _near(laps: Sequence[int], lap: int) -> bool:
    """Return whether a cue about it was spoken within the compared passes."""
    return any(abs(lap - other) <= SPAN for other in laps)


def _attempt(said: Said, passes: Sequence[PassCosts]) -> Attempt | None:
    first_after = said.lap if said.before_corner else said.lap + 1
    before = [t for t in passes if t.lap < first_after][-SPAN:]
    after = [t for t in passes if t.lap >= first_after][:SPAN]
    seen = sum(said.fault in t.costs for t in before)
    if not before or not after or not seen:
        return None
    return Attempt(
        said,
        sum(t.costs.get(said.fault, 0.0) for t in before) / len(before),
        sum(t.costs.get(said.fault, 0.0) for t in after) / len(after),
        len(before),
        len(after),
        seen,
        sum(said.fault in t.costs for t in after),
    )


def share(found: Sequence[Attempt]) -> Share:
    """Return how many worked, with an interval; 0 to 1 without attempts."""
    if not found:
        return Share(0, 0, 0.0, 1.0, 0.0)
    worked = sum(a.worked for a in found)
    low, high = wilson(worked, len(found))
    change = sum(a.after_s - a.before_s for a in found) / len(found)
    return Share(worked, len(found), low, high, change)


def wilson(worked: int, of: int) -> tuple[float, float]:
    """Return the ends of Wilson's score interval (1927) for a share, ``of`` at least 1.

    Four lines instead of scipy.stats, which takes a second to import; a test compares them.
    """
    z = NormalDist().inv_cdf(0.5 + LEVEL / 2)
    share, over = worked / of, 1.0 + z * z / of
    middle = (share + z * z / (2 * of)) / over
    half = z / over * math.sqrt(share * (1.0 - share) / of + z * z / (4.0 * of * of))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def template_of(rule: CueRule, text: str) -> str:
    """Return the wording of ``rule`` behind ``text``; "" if none fits."""
    for template in (rule.long, rule.short, *rule.alternatives, *rule.first):
        pattern = _SLOT.sub(".+", re.escape(template.replace("at {board}", "{board}")))
        if template and re.fullmatch(pattern, text, re.IGNORECASE):
            return template
    return ""


class WordingChoice(msgspec.Struct, frozen=True):
    """The chosen wording, and why. ``given_up`` are those that never worked."""

    template: str
    why: str
    given_up: tuple[str, ...] = ()


def choose_wording(rule: CueRule, corner: str, found: Iterable[Attempt]) -> WordingChoice:
    """Return the short wording for ``rule`` at ``corner``, or an alternative if it never works for this driver.

    ``found`` are the attempts of one driver. Attempts at this corner count if there are enough, else attempts anywhere.
    Long and short form count as one.
    """
    mine = [a for a in found if a.said.spoken and a.said.rule == rule.name]
    options = tuple(dict.fromkeys((rule.short, *rule.alternatives)))
    given_up, rates = [], {}
    for option in options:
        same = {option, rule.long, *rule.first} if option == rule.short else {option}
        tried = [a for a in mine if a.said.template in same]
        here = [a for a in tried if a.said.corner == corner]
        rate = share(here) if _decided(share(here)) else share(tried)
        rates[option] = rate
        if rate.of and rate.high < NEVER_BELOW:
            given_up.append(option)
    left = [o for o in options if o not in given_up]
    if not left:
        best = max(options, key=lambda o: (rates[o].high, rates[o].worked))
        return WordingChoice(best, "no wording has worked so far; the one that did best", tuple(given_up))
    chosen = left[0]
    if chosen == rule.short:
        return WordingChoice(chosen, "", tuple(given_up))
    usual = rates[rule.short]
    return WordingChoice(chosen, f"the usual words worked {usual.worked} times in {usual.of}", tuple(given_up))


def _decided(rate: Share) -> bool:
    return rate.of > 0 and (rate.high < NEVER_BELOW or rate.low > NEVER_BELOW)
