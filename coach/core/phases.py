"""Corner phases as a transition table.

Two rules: a pair missing from the table is illegal, raises IllegalEvent and changes nothing; and nothing else decides
phases. Speech is allowed where QUIET does not hold.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final


class Phase(StrEnum):
    """The car's phase in a corner."""

    LOST = "lost"
    STRAIGHT = "straight"
    APPROACH = "approach"
    BRAKING = "braking"
    ENTRY = "entry"
    EXIT = "exit"


class Event(StrEnum):
    """Events that change a phase: tracking, passed places, braking in the approach.

    END is where full throttle holds again, perhaps before the next straight begins.
    """

    FOUND = "found"
    LOST = "lost"
    ZONE = "zone"
    BRAKE = "brake"
    TURN_IN = "turn_in"
    APEX = "apex"
    END = "end"


class IllegalEvent(Exception):  # noqa: N818 - named after the fault, like the table
    """An event that the table does not allow in this phase."""


P, E = Phase, Event

TABLE: Final[dict[tuple[Phase, Event], Phase]] = {
    (P.LOST, E.FOUND): P.STRAIGHT,
    (P.LOST, E.LOST): P.LOST,
    (P.STRAIGHT, E.LOST): P.LOST,
    (P.STRAIGHT, E.ZONE): P.APPROACH,
    (P.STRAIGHT, E.BRAKE): P.STRAIGHT,
    # acquired inside a corner: skip it and follow the next one
    (P.STRAIGHT, E.TURN_IN): P.STRAIGHT,
    (P.STRAIGHT, E.APEX): P.STRAIGHT,
    (P.STRAIGHT, E.END): P.STRAIGHT,
    (P.APPROACH, E.LOST): P.LOST,
    (P.APPROACH, E.BRAKE): P.BRAKING,
    (P.APPROACH, E.TURN_IN): P.ENTRY,
    (P.BRAKING, E.LOST): P.LOST,
    (P.BRAKING, E.BRAKE): P.BRAKING,
    (P.BRAKING, E.TURN_IN): P.ENTRY,
    (P.ENTRY, E.LOST): P.LOST,
    (P.ENTRY, E.BRAKE): P.ENTRY,
    (P.ENTRY, E.APEX): P.EXIT,
    (P.EXIT, E.LOST): P.LOST,
    (P.EXIT, E.BRAKE): P.EXIT,
    (P.EXIT, E.END): P.STRAIGHT,
}

QUIET: Final = frozenset({Phase.BRAKING, Phase.ENTRY, Phase.EXIT})
"""No speech from brake to exit (common practice, no source), except cautions of the safety class."""


def step(phase: Phase, event: Event) -> Phase:
    """Return the phase after ``event``; raise IllegalEvent if the table lacks the pair."""
    try:
        return TABLE[phase, event]
    except KeyError:
        raise IllegalEvent(f"event {event} is not possible in phase {phase}") from None


def diagram() -> str:
    """Return the table as a Mermaid state diagram, for the guide."""
    lines = ["stateDiagram-v2", "    [*] --> lost"]
    merged: dict[tuple[Phase, Phase], list[str]] = {}
    for (phase, event), after in TABLE.items():
        merged.setdefault((phase, after), []).append(event.value)
    lines += [f"    {a.value} --> {b.value}: {', '.join(events)}" for (a, b), events in merged.items()]
    return "\n".join(lines) + "\n"
