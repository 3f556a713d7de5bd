"""Cue rules as values: subject, time and words of cues."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal, get_args

import msgspec

from coach.core.cue.language import ENGLISH, Language
from coach.core.unit_system import METRIC, Units
from coach.core.values import Fault

Family = Literal["reminder", "correction", "caution", "confirmation", "call", "answer"]
"""Purpose of a cue; answers belong to the driver's requests, not to a rule set."""
UNSCHEDULED: Final = frozenset({"call", "answer"})
"""Families without learning: they have no progress and do not count to the lap's budget."""
Slot = Literal["approach", "exit", "straight", "line", "pit"]
Level = Literal["learning", "improving", "racing"]
Form = Literal["long", "short"]
"""A full text, or a short one for little room."""
Item = Literal[
    "brake_board",
    "gear",
    "apex",
    "kerb_entry",
    "kerb_apex",
    "kerb_exit",
    "gradient",
    "words",
    "bump",
    "crest",
    "track_limit",
    "kerb",
    "surface",
    "other",
]

Call = Literal[
    "lap", "best", "same", "drop_off", "sector", "limits", "unsteady", "mark", "better", "next",
    "another_car", "grip_down", "grip_up", "usual",
]  # fmt: skip
"""Subject of a call: a lap time; a new best; consistent laps; slower laps; a sector; track limits; an inconsistent
brake point; a question for the brake mark; in the pits what improved and what is next.
"""

FAULTS: Final[tuple[str, ...]] = get_args(Fault)
ITEMS: Final[tuple[str, ...]] = get_args(Item)
CALLS: Final[tuple[str, ...]] = get_args(Call)
LEVELS: Final[tuple[str, ...]] = get_args(Level)

MAX_SHORT_WORDS: Final = 4
"""Words of two information units (common practice, no source)."""
MAX_SHORT_UNITS: Final = 2
MAX_LONG_UNITS: Final = 4
"""Most information units in a spoken message (Gatling 1975, FHWA-RD-75-73)."""


class CueRule(msgspec.Struct, frozen=True, cache_hash=True):
    """One rule: ``about`` is a Fault for corrections and confirmations, an Item for reminders and cautions,
    a Call for calls.

    ``slot``: approach = before the corner; exit = right after this corner; straight = on the straight after it; line =
    after the line or the end of a sector; pit = in the pits. A cue without room before its corner is spoken right after
    it, or by name on another straight. A correction speaks if at least ``seen`` of the last ``of_last`` passes had a
    finding of ``min_amount`` (unit of the fault) and ``min_cost_s``; one pass is enough for a relapse.
    ``priority`` 0..100, larger first. ``cooldown_laps`` laps of silence after it spoke at a corner. Only ``safety``
    cautions may speak between brake and exit. ``alternatives`` are other short wordings, tried if one does not work for
    this driver. ``first`` replaces ``long`` the first time: the first one that can be filled, with the ``{total}``.
    Words contain ``{placeholders}``.
    """

    name: str
    family: Family
    about: str
    slot: Slot
    long: str
    short: str
    priority: int = 50
    min_amount: float = 0.0
    min_cost_s: float = 0.0
    seen: int = 1
    of_last: int = 1
    cooldown_laps: int = 0
    levels: frozenset[str] = frozenset(LEVELS)
    safety: bool = False
    alternatives: tuple[str, ...] = ()
    first: tuple[str, ...] = ()
    opposes: tuple[str, ...] = ()
    """Rules whose advice contradicts this one: once one was spoken at a corner, this rule stays silent there."""


class RuleSet(msgspec.Struct, frozen=True):
    """Rules used together, with their shared budget."""

    name: str
    level: Level
    rules: tuple[CueRule, ...]
    """All rules except calls."""
    cues_per_lap: int = 6
    corners_in_work: int = 2
    margin_new_s: float = 1.25
    margin_rehearsed_s: float = 0.75
    cure_passes: int = 3
    retire_passes: int = 5
    rearm_passes: int = 2
    luck: float = 0.05
    """A cure is confirmed if the good passes would be this unlikely by the driver's earlier rate."""
    calls: tuple[CueRule, ...] = ()
    language: Language = ENGLISH
    units: Units = METRIC


def reworded(rules: RuleSet, wordings: Mapping[str, str]) -> RuleSet:
    """Return ``rules`` with other words (rule -> alternative); the replaced words become the last alternative."""

    def one(rule: CueRule) -> CueRule:
        words = wordings.get(rule.name, rule.short)
        if words == rule.short or words not in rule.alternatives:
            return rule
        others = (*(a for a in rule.alternatives if a != words), rule.short)
        # the long form repeats the short one that did not work
        return msgspec.structs.replace(rule, long=words, short=words, alternatives=others)

    return msgspec.structs.replace(rules, rules=tuple(map(one, rules.rules)))
