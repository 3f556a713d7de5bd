"""The baselines behave as described: every other lap, short words, after six laps, no word at all."""

from __future__ import annotations

import numpy as np
import pytest
from closed_loop_baselines import DEBRIEF_LAPS, DEBRIEF_THINGS, Costliest, DebriefOnly, DeltaBar, SaysEverythingShort
from closed_loop_drivers import HABITS, ODD, PERSON, ground, habits_of, kind_of
from learner import LearningDriver

from coach.core.values import Finding
from feeds.practice import ODD_UNITS, SAME, UNITS, Habit

FOUND = (Finding("slow_middle", 2.0, "m/s", 0.3), Finding("brake_early", 12.0, "m", 0.2))
LAPS = 7


def learner(*habits: Habit) -> LearningDriver:
    return LearningDriver(ground("demo").base, habits, 1, rate_hz=20.0, scatter=SAME)


def test_the_costliest_finding_is_said_every_other_lap() -> None:
    """One finding of a pass, the costliest, if it is worth a word; nothing in the laps between."""
    coach = Costliest(ground("demo"), "improving")
    assert FOUND[:1] == coach.chosen(FOUND[::-1], 2)
    assert () == coach.chosen(FOUND, 3)
    assert () == coach.chosen((Finding("coasting", 8.0, "m", 0.04),), 2)


def test_short_words_are_shorter() -> None:
    """He who says everything in short words says the same in less time."""
    coach = SaysEverythingShort(ground("demo"), "improving")
    assert "more corner speed" == coach.words["slow_middle"]
    assert FOUND == coach.chosen(FOUND, 3)


@pytest.mark.parametrize("kind", [DebriefOnly, DeltaBar])
def test_without_a_word_nothing_is_spoken_but_something_is_tried(kind: type[DebriefOnly] | type[DeltaBar]) -> None:
    """No message reaches the ear; after a debrief, or by the bar, the driver sets himself to do something."""
    place = ground("demo")
    one = learner(Habit("Quarry", "brake_early", 25.0), Habit("Signal", "throttle_late", 25.0))
    coach = kind(place, "improving")
    asked = []
    for _ in range(LAPS):
        coach.coach(one)
        one.end()
        asked.append(one.log.counts.get("asked", 0))
    assert [] == coach.spoken
    assert 0 == coach.corrections
    assert asked[-1] > 0
    assert "messages" not in one.log.counts
    if kind is DebriefOnly:
        assert [0] * DEBRIEF_LAPS == asked[:DEBRIEF_LAPS]
        assert asked[-1] <= DEBRIEF_THINGS


def test_four_drivers_are_of_three_kinds() -> None:
    """Two usual ones, one with three habits a corner, one with habits that have no name."""
    base = ground("demo").base
    assert ["usual", "three a corner", "usual", "odd"] == [kind_of(seed) for seed in (1, 2, 3, 4)]
    usual, three, odd = (habits_of(base, seed) for seed in (1, 2, 4))
    assert len({h.corner for h in usual}) == len(usual)
    assert 3 * len({h.corner for h in three}) == len(three)
    assert any(h.fault in ODD_UNITS for h in odd)
    assert not {fault for fault, _ in ODD} & set(UNITS)
    assert {fault for fault, _ in HABITS} <= set(UNITS)


def test_a_persons_reference_is_not_the_optimum() -> None:
    """It is a good lap with faults of its own: some tenths slower than the perfect one, on the same circuit."""
    perfect, person = ground("12"), ground(f"12{PERSON}")
    assert 0.1 < person.reference.lap_time_s - perfect.reference.lap_time_s < 2.0
    assert perfect.base is person.base
    assert np.isclose(perfect.reference.length_m, person.reference.length_m, rtol=0.01)
