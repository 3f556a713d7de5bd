"""What a cue is about in the driver's mind: two cues on one topic at one corner could contradict each other."""

from __future__ import annotations

import re
from typing import Final

from coach.core.rules import CueRule

_TOPICS: Final = {
    "brake point": ("brake_early", "brake_late", "brake_board", "gradient"),
    "braking": ("brake_soft", "brake_long"),
    "gear": ("gear", "gear_high", "gear_low"),
    "line": ("apex", "turn_in_early", "turn_in_late", "apex_missed", "kerb_apex", "kerb_entry"),
    "throttle": ("throttle_late", "throttle_soft", "coasting"),
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
"""What a person's own words are about, by the first of these that they hold."""


def topic(rule: CueRule, text: str) -> str:
    """The topic of a rule; of own words by what they say. Words and cautions on none are each one of their own."""
    if rule.about in TOPIC:
        return TOPIC[rule.about]
    if rule.about == "words":
        for name, pattern in _WORDS:
            if re.search(rf"(?<!\w)(?:{pattern})(?!\w)", text, re.IGNORECASE):
                return name
    return f"{rule.about}: {text}"
