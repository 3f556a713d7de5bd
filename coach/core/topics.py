"""What a cue is about in the driver's mind: two cues on one topic at one corner could contradict each other."""

from __future__ import annotations

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


def topic(rule: CueRule, text: str) -> str:
    """The topic of a rule; own words and the cautions without one are each a topic of their own, by their text."""
    return TOPIC.get(rule.about, f"{rule.about}: {text}")
