"""Tones: at their place, apart from words, fewer as the driver gets it right; off unless chosen."""

from __future__ import annotations

import math
from itertools import pairwise

import msgspec
import pytest
from core_setup import corner, pipeline, ring, session
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.cue.arbiter import Arbiter
from coach.core.cue.memory import DriverProgress
from coach.core.cue.tones import GOOD_PASSES, LEAD_S, SEQUENCE, TONE_S, ToneKind, ToneOptions, Tones
from coach.core.pipeline import Events
from coach.core.track_model import TrackModel
from coach.core.values import Corner, Decision


def tones_of(*corners: Corner, kinds: tuple[ToneKind, ...] = ("count",), name: str = "", late_s: float = 0.0) -> Tones:
    """On a circle driven at 50 m/s."""
    tones = Tones(TrackModel(ring(), corners or (corner(),)), DriverProgress())
    tones.choose(ToneOptions(kinds, name, late_s), 0.0, 0.0)
    return tones


def drive(
    tones: Tones,
    speed_mps: float = 50.0,
    rate_hz: float = 60.0,
    laps: int = 1,
    arbiter: Arbiter | None = None,
    brake_m: float = math.inf,
) -> list[Decision]:
    """Return the decisions of a drive; the brake is pressed from ``brake_m`` on."""
    arbiter, out, i = arbiter or Arbiter({}), [], 0
    while (u := i / rate_hz * speed_mps) < 2000.0 * laps:
        if tones.wake_s <= i / rate_hz:
            out += tones.look(i / rate_hz, u, speed_mps, u >= brake_m, arbiter)
        i += 1
    return out


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.floats(25.0, 80.0), st.floats(20.0, 360.0))
def test_the_last_of_three_is_due_at_the_brake_point(speed: float, rate: float) -> None:
    """Whatever the car's pace and the feed's rate: due at the place, the others 0.3 s apart before it, each decided
    no more than the lead and at least a little before it is due."""
    decided = drive(tones_of(), speed, rate)
    assert ["count", "count", "point"] == [d.text for d in decided]
    true = 400.0 / speed
    for d, (offset, _) in zip(decided, SEQUENCE["count"], strict=True):
        assert true + offset == pytest.approx(d.action_t_s, abs=0.002)
        assert 0.0 < d.action_t_s - d.t_s <= LEAD_S + 1e-9
        assert d.outcome == "sounded"


def test_a_late_feed_gets_its_tones_as_much_earlier() -> None:
    """With frames 0.1 s old the tone is due 0.1 s sooner on the feed's clock."""
    assert 0.1 == pytest.approx(drive(tones_of())[-1].action_t_s - drive(tones_of(late_s=0.1))[-1].action_t_s, abs=1e-6)


def test_never_later_than_the_profile_allows() -> None:
    """A limit before the brake point counts instead of it."""
    limited = corner(latest_brake_m=380.0)
    assert 380.0 / 50.0 == pytest.approx(drive(tones_of(limited))[-1].action_t_s, abs=0.002)


def test_one_corner_or_all() -> None:
    """Only the corner that was named."""
    both = (corner("A", 500.0), corner("B", 1200.0))
    assert {"A", "B"} == {d.corner for d in drive(tones_of(*both))}
    assert {"B"} == {d.corner for d in drive(tones_of(*both, name="B"))}


def test_words_come_first_and_nothing_is_said_into_a_tone() -> None:
    """While words sound a count is left out whole; a tone holds the words back until it is over."""
    arbiter = Arbiter({})
    arbiter.busy_until_s = 400.0 / 50.0 - 0.5
    decided = drive(tones_of(), arbiter=arbiter)
    assert [("held", "words came first")] == [(d.outcome, d.reason) for d in decided]
    arbiter = Arbiter({})
    last = drive(tones_of(), arbiter=arbiter)[-1]
    assert last.action_t_s + TONE_S == pytest.approx(arbiter.busy_until_s)


def test_a_driver_who_brakes_first_is_not_counted_on() -> None:
    """Braking 10 m early: what is left of the count is held back."""
    decided = drive(tones_of(), brake_m=390.0)
    assert ["sounded", "sounded", "held"] == [d.outcome for d in decided]
    assert "already braking" == decided[-1].reason


def test_it_fades_and_comes_back() -> None:
    """After three good passes in every second lap, after six silent, after two bad ones in each lap."""

    def laps_with(good: int, bad: int = 0) -> list[int]:
        tones = tones_of()
        for gap in [1.0] * good + [20.0] * bad:
            tones.learn(0, {"brake_start_m": gap})
        return sorted({d.lap for d in drive(tones, laps=4) if d.outcome == "sounded"})

    assert [0, 1, 2, 3] == laps_with(0)
    assert [0, 2] == laps_with(GOOD_PASSES)
    assert [] == laps_with(2 * GOOD_PASSES)
    assert [] == laps_with(2 * GOOD_PASSES, 1)
    assert [0, 1, 2, 3] == laps_with(2 * GOOD_PASSES, 2)


def test_a_corner_that_gained_or_lost_is_heard() -> None:
    """Half a tenth or more since the corner before: loss or gain; less, or during words, nothing sounds."""
    tones, arbiter = tones_of(kinds=("delta",)), Arbiter({})
    late = (0.0, 0.02, 0.2, 0.1)
    heard = [
        tones.corner_over(0, (100.0 * i + 500.0) / 50.0 + s, 100.0 * i + 500.0, arbiter) for i, s in enumerate(late)
    ]
    assert [[], [], ["loss"], ["gain"]] == [[d.text for d in one] for one in heard]
    arbiter.busy_until_s = 1e9
    (held,) = tones.corner_over(0, 30.0, 900.0, arbiter)
    assert "held" == held.outcome


def test_in_a_run_tones_and_words_never_sound_together() -> None:
    """Two laps with everything on: no tone from the start of a cue to its predicted end, except safety cautions."""
    p, happened = pipeline(), Events()
    p.sound(ToneOptions(("count", "release", "delta")))
    happened.add(p.push_columns(session(2, 20.0)))
    tones = [d for d in happened.decisions if d.outcome == "sounded"]
    assert {"count", "point", "release"} <= {d.text for d in tones}
    for said in (d for d in happened.decisions if d.outcome == "spoken" and not d.safety):
        assert not [d for d in tones if said.t_s < d.action_t_s < said.ends_t_s]
    for a, b in pairwise(sorted(d.action_t_s for d in tones)):
        assert b - a >= TONE_S
    quiet = pipeline()
    assert not [d for d in quiet.push_columns(session(2, 20.0)).decisions if d.family == "tone"]


def test_another_grip_has_no_reference_brake_point() -> None:
    """While the track takes less, or more, than the reference's no count is sounded."""
    p = pipeline()
    p.sound(ToneOptions(("count",)))
    condition = p.session_tracker.track_model.judging.condition
    condition.today = msgspec.structs.replace(condition.today, grip=0.8)
    columns = session(2, 20.0)
    first_corner = columns.part(0, 500)
    assert not [d for d in p.push_columns(first_corner).decisions if d.outcome == "sounded"]
