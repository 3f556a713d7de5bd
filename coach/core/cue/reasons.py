"""Reasons for holding a cue, as in the decision log, with their meanings."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Final


class Reason(StrEnum):
    """One reason per cue; NONE means it may speak."""

    NONE = ""
    BEATEN = "another cue came first"
    NO_ROOM = "no room"
    SAID_RECENTLY = "said recently"
    MUTED = "muted"
    BUSY_CORNER = "busy corner"
    LOST = "lost"
    PIT = "in the pits"
    WITHIN_TOLERANCE = "within tolerance"
    KNOWN = "known by now"
    LAP_LIMIT = "lap's limit reached"
    PROFILE_LIMIT = "limit of the profile"
    OPPOSED = "opposes another cue"
    OTHER_CORNER = "another corner first"
    OTHER_FAULT = "another fault first"
    LINE_FIRST = "line first"
    NO_RESPONSE = "no response so far"
    SESSION_OVER = "session over"
    PLAN_CHANGED = "plan changed"
    QUIET_LAP = "driver asked for quiet"
    TOO_OLD = "no moment for the answer"
    NOTHING_SAID = "nothing to repeat"
    NOTHING_DRIVEN = "no corner driven yet"
    WORDS_FIRST = "words came first"
    BRAKING = "already braking"


MEANING: Final[Mapping[str, str]] = {
    Reason.BEATEN: "another cue came first, on the same topic or in the only room there was",
    Reason.NO_ROOM: "it could not end in time before its action",
    Reason.SAID_RECENTLY: "it was said too few laps ago",
    Reason.MUTED: "the profile mutes it at this corner",
    Reason.BUSY_CORNER: "enough was said before this corner",
    Reason.LOST: "the car's position was not known",
    Reason.PIT: "the car was in the pits",
    Reason.WITHIN_TOLERANCE: "too few of the last passes had the fault, or the last one was right",
    Reason.KNOWN: "the driver knows it by now, so it rests and is retained better",
    Reason.LAP_LIMIT: "the lap's number of cues was reached",
    Reason.PROFILE_LIMIT: "following it could cross a limit of the profile",
    Reason.OPPOSED: "it pulls to the other side than what is being corrected, or than a safety caution",
    Reason.OTHER_CORNER: "other corners are worked on in this lap",
    Reason.OTHER_FAULT: "another fault at this corner is worked on first",
    Reason.LINE_FIRST: "the line comes before speed",
    Reason.NO_RESPONSE: "it changed nothing so far and rests: look at the page with your instructor",
    Reason.SESSION_OVER: "the session ended first",
    Reason.PLAN_CHANGED: "profile or rules were changed",
    Reason.QUIET_LAP: "the driver asked for quiet until the line; safety cautions stay",
    Reason.TOO_OLD: "the driver asked, and no quiet stretch was long enough in time",
    Reason.NOTHING_SAID: "the driver asked for a repetition before anything was said",
    Reason.NOTHING_DRIVEN: "the driver asked about the last corner before there was one",
    Reason.WORDS_FIRST: "a tone never sounds together with words",
    Reason.BRAKING: "the driver braked before the tone was due",
}

QUIET_BECAUSE_RIGHT: Final = frozenset({str(Reason.WITHIN_TOLERANCE), "inside the band"})
"""Reasons without any fault; the second occurs in older logs."""
