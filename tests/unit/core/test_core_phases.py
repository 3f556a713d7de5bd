"""The table of phases: every state with every event."""

from __future__ import annotations

from itertools import product

import pytest

from coach.core.phases import QUIET, TABLE, Event, IllegalEvent, Phase, diagram, step

# written out by hand from the rules of the road: lost comes from anywhere; a corner is entered by its zone, then
# brake or turn-in, then apex, then its end
LEGAL = {
    "lost": {"found": "straight", "lost": "lost"},
    "straight": {"lost": "lost", "zone": "approach", "brake": "straight", "turn_in": "straight", "apex": "straight",
                 "end": "straight"},
    "approach": {"lost": "lost", "brake": "braking", "turn_in": "entry"},
    "braking": {"lost": "lost", "brake": "braking", "turn_in": "entry"},
    "entry": {"lost": "lost", "brake": "entry", "apex": "exit"},
    "exit": {"lost": "lost", "brake": "exit", "end": "straight"},
}  # fmt: skip


@pytest.mark.parametrize(("phase", "event"), list(product(Phase, Event)), ids=str)
def test_every_pair(phase: Phase, event: Event) -> None:
    """A legal pair leads where the table says; an illegal one raises and names both, and changes nothing."""
    before = dict(TABLE)
    expected = LEGAL[phase.value].get(event.value)
    if expected is None:
        with pytest.raises(IllegalEvent, match=rf"{event.value}.*{phase.value}"):
            step(phase, event)
    else:
        assert Phase(expected) is step(phase, event)
    assert before == TABLE


def test_quiet_is_from_the_brake_to_the_end() -> None:
    """Speech is allowed on the straight and in the approach only."""
    assert {Phase.BRAKING, Phase.ENTRY, Phase.EXIT} == QUIET


def test_the_diagram_holds_every_pair() -> None:
    """It is made from the table: each arrow of the table is in it once."""
    text = diagram()
    arrows = {(p.value, n.value) for (p, _), n in TABLE.items()}
    assert len(arrows) == text.count(" --> ") - 1
    assert all(f"{a} --> {b}: " in text for a, b in arrows)


def test_every_phase_can_be_left_and_reached() -> None:
    """No phase is a trap, none is out of reach from LOST."""
    reached = {Phase.LOST}
    for _ in Phase:
        reached |= {after for (phase, _), after in TABLE.items() if phase in reached}
    assert set(Phase) == reached
    assert all(any(p is phase and n is not phase for (p, _), n in TABLE.items()) for phase in Phase)
