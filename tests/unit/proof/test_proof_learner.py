"""The simulated learner does what is published of learners, so that what it says of a coach means something."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from learner import FAST_KEPT, OWN, REACTION_S, Heard, LearningDriver, Traits

from coach.core.columns import Columns
from feeds.practice import SAME, Habit, faultless, hollow_ridge
from feeds.practice.faultless import Faultless

EARLY = Habit("Quarry", "brake_early", 20.0)
SURE = Traits(spread=0.01)


@cache
def base() -> Faultless:
    """The demo circuit."""
    return faultless(hollow_ridge())


def driver(*habits: Habit, seed: int = 1, traits: Traits = SURE) -> LearningDriver:
    """A driver without scatter."""
    return LearningDriver(base(), habits, seed, rate_hz=10.0, scatter=SAME, traits=traits)


def brake_s(columns: Columns, one: LearningDriver, lap: int) -> float:
    """When he brakes for Quarry in ``lap``."""
    corner = base().corners[base().corner("Quarry")]
    place = lap * base().circuit.length_m + corner.brake_m - EARLY.amount
    return float(np.interp(place, one.place_m, columns["t_s"]))


def told(one: LearningDriver, ahead_s: float, lap: int) -> bool:
    """Tell of the early braking at Quarry so that it ends ``ahead_s`` before the brake; whether that changed him."""
    ends = brake_s(one.columns, one, lap) - ahead_s
    return one.hear(Heard(ends - 1.0, ends, base().corner("Quarry"), (("brake_early", math.nan),)))


def rounds(one: LearningDriver, cued: list[bool]) -> LearningDriver:
    """A round for each of ``cued``, the first through lap 1: with a cue in time or without."""
    for lap, cue in enumerate(cued, start=1):
        one.drive()
        if cue:
            told(one, 2.0, lap)
        one.end()
    return one


def test_a_cue_in_time_is_followed_and_one_too_late_is_not() -> None:
    """A cue counts only if it ends the reaction time before its action (0.75 s, Green 2000)."""
    outcomes = {}
    for ahead_s in (REACTION_S + 0.3, REACTION_S - 0.3):
        one = driver(EARLY)
        one.drive()
        outcomes[ahead_s] = told(one, ahead_s, 1)
    assert [True, False] == list(outcomes.values())


def test_what_is_heard_changes_only_what_lies_ahead() -> None:
    """Up to the end of a message the drive is the one already driven; after it the driver is faster."""
    one = driver(EARLY)
    before = one.drive()
    ends = brake_s(before, one, 1) - 2.0
    assert told(one, 2.0, 1)
    heard = before["t_s"] <= ends
    assert heard.any()
    for name in ("x_m", "y_m", "speed_mps"):
        np.testing.assert_allclose(before[name][heard], one.columns[name][: heard.sum()], atol=1e-6)
    assert one.columns["lap_distance_m"][heard.sum() + 60] > before["lap_distance_m"][heard.sum() + 60]


def test_he_does_what_is_said_and_no_more() -> None:
    """Told to brake five metres later he brakes at most five metres later."""
    one = driver(EARLY)
    one.drive()
    ends = brake_s(one.columns, one, 1) - 2.0
    one.hear(Heard(ends - 1.0, ends, base().corner("Quarry"), (("brake_early", 5.0),)))
    amounts = [h.amount for h in one.driven(1, (EARLY,))]
    assert 15.0 <= amounts[0] < 20.0


def test_without_a_word_he_learns_little() -> None:
    """Alone a habit shrinks by the slow gain only (2 % a lap, Smith, Ghazizadeh & Shadmehr 2006, from memory)."""
    one = rounds(driver(EARLY), [False] * 5)
    assert (1.0 - OWN) ** 5 == pytest.approx(one.left, abs=0.01)


def test_what_is_leaned_upon_is_forgotten() -> None:
    """After the last cue a part is lost from pass to pass, at most the fast part (Smith et al. 2006, from memory)."""
    after = rounds(driver(EARLY), [True] * 6).left
    later = rounds(driver(EARLY), [True] * 6 + [False] * 2).left
    assert after < later < after + (1.0 - after) * (1.0 - FAST_KEPT**2)


def test_constant_feedback_is_retained_worse_than_alternate() -> None:
    """Of what was gained more is kept after alternate cues (Winstein & Schmidt 1990; Park, Shea & Wright 2000)."""
    kept = {}
    for name, cues in (("constant", [True] * 8), ("alternate", [True, False] * 4)):
        gained = 1.0 - rounds(driver(EARLY), cues).left
        kept[name] = (1.0 - rounds(driver(EARLY), cues + [False] * 5).left) / gained
    assert kept["alternate"] > kept["constant"] + 0.1


def test_speech_in_a_corner_costs_time() -> None:
    """Cues between brake and exit slow the lap."""
    times = []
    for spoken_to in (False, True):
        one = driver()
        for lap in (1, 2):
            one.drive()
            if lap == 1 and spoken_to:
                begin = brake_s(one.columns, one, 1) + 1.0
                one.hear(Heard(begin, begin + 1.5, None))
            one.end()
        times.append(one.lap_times[0])
    assert times[0] + 0.002 < times[1] < times[0] + 0.3


def test_too_much_in_mind_is_not_done() -> None:
    """Beyond four things in a lap less of each is taken in (Cowan 2001, from memory)."""
    one = driver(EARLY, seed=3)
    rounds(one, [False])
    one.drive()
    t = float(one.columns["t_s"][5])
    for i in range(40):
        one.hear(Heard(t + 0.01 * i, t + 0.01 * i + 0.01, base().corner("Quarry"), (("gear_high", math.nan),)))
    assert one.log.counts["not taken in"] > 20


def test_a_wrong_cue_does_harm() -> None:
    """Told to brake later where he brakes right, he brakes too late and is slower."""
    times = []
    for wrong in (False, True):
        one = driver()
        for lap in (1, 2):
            one.drive()
            if lap == 1 and wrong:
                told(one, 2.0, 1)
            one.end()
        times.append(one.lap_times[0])
    assert times[0] + 0.01 < times[1]


def test_the_same_seed_drives_the_same_laps() -> None:
    """A run can be repeated."""
    one, two = (rounds(driver(EARLY, seed=5, traits=Traits()), [True, False, True]) for _ in range(2))
    assert one.lap_times == two.lap_times


def test_a_coach_who_is_right_and_in_time_makes_him_faster() -> None:
    """The learner can be helped: ten right cues in time take more than half of the habit away."""
    helped, alone = rounds(driver(EARLY), [True] * 10), rounds(driver(EARLY), [False] * 10)
    assert helped.left < 0.5 < alone.left
    assert helped.lap_times[-1] < alone.lap_times[-1] - 0.1


def test_what_is_asked_wrongly_or_too_far_ahead_is_counted() -> None:
    """A word about a fault he does not have is wrong; one that begins over 8 s before its action is far ahead."""
    one = driver(EARLY)
    one.drive()
    corner = base().corner("Quarry")
    ends = brake_s(one.columns, one, 1) - 2.0
    one.hear(Heard(ends - 1.0, ends, corner, (("brake_early", math.nan),)))
    one.hear(Heard(ends - 1.0, ends, corner, (("apex_missed", math.nan),)))
    assert (2, 1) == (one.log.counts["asked"], one.log.counts["asked wrongly"])
    assert "over 8 s ahead" not in one.log.counts
    later = base().corner("Kestrel")
    one.hear(Heard(ends - 1.0, ends, later, (("slow_middle", math.nan),)))
    assert 1 == one.log.counts["over 8 s ahead"]


def test_what_he_sets_himself_to_do_is_no_message() -> None:
    """A thought needs no ear: no message is counted, and he is not disturbed by it."""
    one = driver(EARLY)
    one.drive()
    t = float(one.columns["t_s"][0])
    assert one.hear(Heard(t, t, base().corner("Quarry"), (("brake_early", math.nan),)), spoken=False)
    assert "messages" not in one.log.counts
    assert "while busy" not in one.log.counts
