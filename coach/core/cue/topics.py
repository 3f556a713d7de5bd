"""Topics of cues: two cues on one topic at one corner could contradict each other."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from coach.core.cue.rules import CueRule

_TOPICS: Final = {
    "brake point": ("brake_early", "brake_late", "brake_board", "gradient"),
    "braking": ("brake_soft", "brake_long", "grip_braking", "grip_entry"),
    "gear": ("gear", "gear_high", "gear_low"),
    "line": ("apex", "turn_in_early", "turn_in_late", "apex_missed", "kerb_apex", "kerb_entry"),
    "throttle": ("throttle_late", "throttle_soft", "coasting", "grip_exit"),
    "speed": ("slow_middle", "grip_middle"),
    "exit": ("exit_narrow", "exit_wide", "kerb_exit", "track_limit"),
}
TOPIC: Final = {about: name for name, abouts in _TOPICS.items() for about in abouts}
_WORDS: Final = (
    ("braking", r"releas\w*|harder|softly|lightly|trail\w*"),
    ("brake point", r"brak\w*"),
    ("gear", r"gear"),
    ("throttle", r"throttle|coast\w*|accelerat\w*"),
    ("exit", r"exit|run|mid-track|outside"),
    ("line", r"apex|turn|inside|line"),
)
"""Topic of the user's own words, by the first matching pattern."""


_OPPOSITE: Final[dict[str, tuple[frozenset[str], str]]] = {
    "brake_early": (frozenset({"brake_late"}), r"brak\w* (?:earl\w*|sooner)|early on the brake"),
    "brake_board": (frozenset({"gradient"}), r"brak\w* (?:earl\w*|sooner|later)"),
    "brake_late": (frozenset({"brake_early"}), r"brak\w* later|later on the brake"),
    "brake_soft": (frozenset({"brake_long"}), r"brak\w* (?:light|soft|gent)\w*|dab"),
    "turn_in_early": (frozenset({"turn_in_late"}), r"turn(?: in)? (?:earl\w*|sooner)|early (?:turn|apex)"),
    "turn_in_late": (frozenset({"turn_in_early"}), r"turn(?: in)? late\w*|be patient|wait|late apex"),
    "apex_missed": (frozenset(), r"(?:off|not over|no) the (?:inside|apex)|sausage"),
    "slow_middle": (frozenset(), r"slow|careful"),
    "throttle_late": (frozenset({"exit_wide"}), r"wait|be patient|later (?:on the )?(?:power|throttle)"),
    "throttle_soft": (frozenset({"exit_wide"}), r"wait|be patient|gent\w*"),
    "exit_narrow": (
        frozenset({"exit_wide", "track_limit"}),
        r"(?:off|not over|no) the (?:outside|exit)|run wide|mid-track|tight\w*|track limits?|stay in|watch the limits",
    ),
    "exit_wide": (frozenset({"exit_narrow"}), r"(?:use|to) (?:all )?the (?:outside|exit|road|kerb)|track out|run out"),
    "gear_high": (frozenset({"gear_low"}), r"higher gear"),
    "gear_low": (frozenset({"gear_high"}), r"lower gear"),
    "grip_braking": (frozenset({"brake_long"}), r"brak\w* (?:light|soft|gent)\w*|dab"),
    "grip_entry": (frozenset({"brake_long"}), r"(?:ease off|releas\w*) (?:\w+ ){0,2}earl\w*|brak\w* in a straight"),
    "grip_middle": (frozenset(), r"slow|careful"),
    "grip_exit": (frozenset({"exit_wide"}), r"wait|be patient|gent\w*|later (?:on the )?(?:power|throttle)"),
}
"""Fault, or reminder -> contradicting cues, by subject and by words."""


def opposes(fault: str, about: str, texts: Iterable[str]) -> bool:
    """Return whether a text on ``about`` contradicts the correction of ``fault``, or the reminder about it."""
    abouts, pattern = _OPPOSITE.get(fault, (frozenset(), ""))
    if about in abouts:
        return True
    return bool(pattern) and any(re.search(rf"(?<!\w)(?:{pattern})", text, re.IGNORECASE) for text in texts)


def topic(rule: CueRule, text: str) -> str:
    """Return the topic of a rule; of own words by their content. Words and cautions without a topic each form one."""
    if rule.about in TOPIC:
        return TOPIC[rule.about]
    if rule.about == "words":
        for name, pattern in _WORDS:
            if re.search(rf"(?<!\w)(?:{pattern})(?!\w)", text, re.IGNORECASE):
                return name
    return f"{rule.about}: {text}"
