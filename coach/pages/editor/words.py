"""The editor's words for the fields and values of a profile: lists and errors show them, never identifiers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

FIELDS: Final = {
    "name": "name",
    "say": "pronunciation",
    "direction": "direction",
    "gear": "gear",
    "brake_m": "brake, m",
    "turn_in_m": "turn-in, m",
    "apex_m": "apex, m",
    "more_apexes_m": "further apexes, m",
    "exit_m": "exit, m",
    "end_m": "end, m",
    "boards": "boards, m before turn-in",
    "apex": "apex",
    "kerbs.entry": "entry kerb",
    "kerbs.apex": "apex kerb",
    "kerbs.exit": "exit kerb",
    "kerbs.entry_m": "entry kerb at, m",
    "kerbs.apex_m": "apex kerb at, m",
    "kerbs.exit_m": "exit kerb at, m",
    "limits.latest_brake_m": "latest brake point, m",
    "limits.widest_exit_offset_m": "widest exit, m outside",
    "words": "your reminders, one per line",
    "mute": "muted",
    "cautions": "cautions",
    "at_m": "at, m",
    "kind": "kind",
    "safety": "safety",
}
"""Field -> its label in the form."""
DIRECTIONS: Final = {"left": "left", "right": "right"}
APEXES: Final = {"early": "early", "mid": "mid", "late": "late"}
KERBS: Final = {"use": "use it", "touch": "touch it", "avoid": "stay off"}
CAUTIONS: Final = {
    "bump": "bump",
    "crest": "crest",
    "track_limit": "track limits",
    "kerb": "kerb",
    "surface": "surface",
    "other": "other",
}
MUTES: Final = {
    "brake_early": "fault: brakes early",
    "brake_late": "fault: brakes late",
    "brake_soft": "fault: soft on the brakes",
    "brake_long": "fault: drags the brake",
    "turn_in_early": "fault: turns in early",
    "turn_in_late": "fault: turns in late",
    "apex_missed": "fault: misses the apex",
    "slow_middle": "fault: slow mid-corner",
    "coasting": "fault: coasting",
    "throttle_late": "fault: late on power",
    "throttle_soft": "fault: soft on power",
    "exit_narrow": "fault: exit not used",
    "exit_wide": "fault: runs wide",
    "gear_high": "fault: gear too high",
    "gear_low": "fault: gear too low",
    "grip_braking": "fault: grip left on the brakes",
    "grip_entry": "fault: grip left on entry",
    "grip_middle": "fault: grip left mid-corner",
    "grip_exit": "fault: grip left at the exit",
}
PLACES: Final = ("brake_m", "turn_in_m", "apex_m", "exit_m", "end_m")
"""The points of a corner in driving order; a point may not pass its neighbour."""
MORE_APEXES: Final = "more_apexes_m"
"""The field of the other apexes of a corner that has several; a point of it is named with its number behind a dot."""
KERB_PLACES: Final = {"entry": ("kerbs", "entry_m"), "apex": ("kerbs", "apex_m"), "exit": ("kerbs", "exit_m")}
"""The fields of where each kerb begins and ends, two numbers each."""
GAP_M: Final = 1.0
"""Least distance between two points when one is dragged [m]."""
READ_BY_REMINDERS: Final = frozenset({"brake_m", "gear", "apex", "boards", "words", "name", "say", "kerbs", "cautions"})
_IDENTIFIER: Final = re.compile(r"\b[a-z]+(?:_[a-z]+)+\b")


def plain(identifier: str) -> str:
    """Return an identifier as words: underscores become spaces."""
    return identifier.replace("_", " ")


def mute_word(name: str) -> str:
    """Return a fault, item or rule as the list of mutes shows it."""
    return MUTES.get(name, f"cue: {plain(name)}")


def label_of(path: Sequence[str | int]) -> str:
    """Return the label of the field at ``path`` within a corner; for a list's entry, the list's with the entry's
    number.
    """
    names = [str(p) for p in path if isinstance(p, str)]
    number = next((f" {p + 1}" for p in path if isinstance(p, int)), "")
    if len(names) > 1 and names[0] == "cautions":
        return f"caution{number}, {FIELDS.get(names[1], plain(names[1]))}"
    return FIELDS.get(".".join(names), FIELDS.get(names[0], plain(names[0])) if names else "corner") + number


def in_words(text: str) -> str:
    """Return a message about the file with the form's labels for its field names."""
    return _IDENTIFIER.sub(lambda m: FIELDS.get(m[0], plain(m[0])).partition(",")[0], text)


def why_nothing(path: Sequence[str | int], rules: str) -> str:
    """Return why changing the field at ``path`` changed no cue under ``rules``, and what would."""
    head = str(path[0]) if path else ""
    if not head:
        return ""
    label = label_of(path[:1] if head in ("words", "mute", "cautions") else path).partition(",")[0]
    if head == "mute":
        return "No cue changed: what you muted was not said at this corner in this session."
    if head == "limits":
        return f"No cue changed: no advice of this session reached the {label}. A tighter one would hold cues back."
    if head in ("turn_in_m", "exit_m", "end_m", "apex_m", MORE_APEXES, "direction"):
        return (
            f"No cue changed: the {label} says where the corner is measured, and corrections compare both laps there. "
            "A larger move, past where the time is lost, would change them."
        )
    if tuple(path) in KERB_PLACES.values():
        return (
            f"No cue changed: no cue of this session names the {label}. First corrections do, to say where the power "
            "or the turn-in belongs."
        )
    if head in READ_BY_REMINDERS and "first_laps" not in rules:
        return (
            f"No cue changed: corrections compare your laps with the reference lap, not with the {label}. "
            "Reminders do use it: try the cue rules for first laps."
        )
    return f"No cue changed: no cue of this session uses the {label} of this corner. Held-back cues: show all."
