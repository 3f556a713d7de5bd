from __future__ import annotations

import math
import random
from itertools import pairwise

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from feeds.counters import KINDS, Counters, Sequence, explain
from feeds.frame import MAX_JUMP_M, MAX_SPEED_MPS, Frame
from feeds.plausible import Gate, sound


def drive(n: int, start_s: float = 0.0, x_m: float = 0.0, lap: int = 1) -> list[Frame]:
    return [Frame(start_s + i / 20, x_m=x_m + i * 2.0, y_m=0.0, speed_mps=40.0, lap=lap) for i in range(n)]


def through(frames: list[Frame]) -> tuple[list[Frame], Counters]:
    counters = Counters()
    gate = Gate(counters)
    return [out for frame in frames for out in gate.admit(frame)], counters


@pytest.mark.parametrize(
    ("field", "value", "kind"),
    [
        ("speed_mps", 151.0, "speed_refused"),
        ("speed_mps", -3.0, "speed_refused"),
        ("speed_mps", math.inf, "speed_refused"),
        ("throttle", 1.02, "pedal_refused"),
        ("brake", -0.02, "pedal_refused"),
        ("x_m", math.inf, "position_refused"),
        ("y_m", 1e7, "position_refused"),
        ("lat_deg", 91.0, "position_refused"),
        ("lap_distance_m", 2e5, "position_refused"),
        ("lap_fraction", 1.5, "position_refused"),
        ("steer", 1e30, "field_refused"),
        ("gear", 99, "field_refused"),
        ("lap", 10**30, "field_refused"),
        ("wheels_off", -1, "field_refused"),
    ],
)
def test_impossible_fields_become_absent(field: str, value: float, kind: str) -> None:
    """A field no car can have is absent and counted; the rest of the frame stays."""
    counters = Counters()
    frame = msgspec.structs.replace(Frame(1.0, x_m=1.0, y_m=2.0, speed_mps=30.0), **{field: value})
    checked = sound(frame, counters)
    assert checked is not None
    left = getattr(checked, field)
    assert left is None or math.isnan(left)
    assert {kind: 1} == counters
    assert 1.0 == checked.t_s


def test_half_a_position_is_none() -> None:
    """When one coordinate is refused the other one goes with it."""
    checked = sound(Frame(1.0, x_m=math.inf, y_m=2.0), Counters())
    assert checked is not None
    assert math.isnan(checked.y_m)


def test_small_overshoot_is_clamped() -> None:
    """A pedal of 1.004 is 1, one of -0.004 is 0, a standing car's -0.1 m/s is 0; none is counted."""
    counters = Counters()
    checked = sound(Frame(1.0, throttle=1.004, brake=-0.004, speed_mps=-0.1), counters)
    assert checked is not None
    assert (1.0, 0.0, 0.0) == (checked.throttle, checked.brake, checked.speed_mps)
    assert {} == counters


@pytest.mark.parametrize("t_s", [math.nan, math.inf, -math.inf, 1e300])
def test_a_frame_needs_a_time(t_s: float) -> None:
    """Without a usable time there is no frame."""
    counters = Counters()
    assert None is sound(Frame(t_s), counters)
    assert {"time_refused": 1} == counters


def test_a_single_leap_is_refused() -> None:
    """One frame 500 m away is a corruption: it is dropped and counted, the frames after it go on."""
    frames = drive(20)
    bent = [*frames[:10], msgspec.structs.replace(frames[10], x_m=frames[10].x_m + 500.0), *frames[11:]]
    got, counters = through(bent)
    assert [f for i, f in enumerate(frames) if i != 10] == got
    assert 1 == counters["jump_refused"]


def test_a_teleport_to_the_pits_is_accepted_whole() -> None:
    """Three frames that agree with one another are a new place: none of them is lost."""
    frames = drive(20) + drive(20, start_s=1.0, x_m=5000.0)
    got, counters = through(frames)
    assert frames == got
    assert {"teleport": 1, "frames": 40} == counters


def test_a_session_restart_is_accepted_whole() -> None:
    """The clock and the lap counter may start again."""
    frames = drive(200, start_s=100.0, lap=4) + drive(20, start_s=0.0, lap=0)
    got, counters = through(frames)
    assert frames == got
    assert 1 == counters["clock_back"]


def test_late_and_repeated_frames_are_dropped() -> None:
    """Reordering and a paused sender do not bring time to stand or go back."""
    frames = drive(10)
    got, counters = through([*frames[:5], frames[3], frames[4], frames[4], *frames[5:]])
    assert frames == got
    assert {"late": 1, "duplicate": 2, "frames": 10} == counters


def test_lap_distance_falls_at_the_line_and_nowhere_else() -> None:
    """A fall to the start of a lap is a lap; a fall to the middle of nowhere is refused."""
    around = [Frame(i / 20, lap_distance_m=(3900.0 + 3.0 * i) % 4000.0, lap=i // 34) for i in range(60)]
    got, counters = through(around)
    assert around == got
    wrong = [*around[:10], msgspec.structs.replace(around[10], lap_distance_m=2000.0), *around[11:]]
    got, counters = through(wrong)
    assert 59 == len(got)
    assert 1 == counters["jump_refused"]


frame_values = st.builds(
    Frame,
    t_s=st.one_of(st.floats(0, 30, allow_nan=False), st.integers(0, 40).map(float), st.just(math.nan)),
    x_m=st.one_of(st.floats(), st.floats(-300, 300)),
    y_m=st.one_of(st.floats(), st.floats(-300, 300)),
    lap_distance_m=st.one_of(st.just(math.nan), st.floats(), st.floats(-10, 600)),
    lap_fraction=st.one_of(st.just(math.nan), st.floats(-0.1, 1.1)),
    lap=st.one_of(st.none(), st.integers(-3, 5), st.integers()),
    speed_mps=st.floats(),
    throttle=st.floats(),
    gear=st.one_of(st.none(), st.integers()),
)


@given(st.lists(frame_values, max_size=40))
def test_whatever_comes_what_goes_on_is_possible(frames: list[Frame]) -> None:
    """No speed above 150 m/s, no field out of range; leaps only where a run of frames confirmed them."""
    got, counters = through(frames)
    for frame in got:
        assert math.isfinite(frame.t_s)
        assert not frame.speed_mps > MAX_SPEED_MPS
        assert not abs(frame.throttle - 0.5) > 0.5
    leaps = sum(b.t_s < a.t_s or math.hypot(b.x_m - a.x_m, b.y_m - a.y_m) > MAX_JUMP_M for a, b in pairwise(got))
    confirmed = sum(counters.get(k, 0) for k in ("teleport", "clock_back", "clock_forward", "lap_changed"))
    assert leaps <= confirmed
    assert len(got) == counters.get("frames", 0)


@given(st.lists(frame_values, max_size=60))
def test_the_gate_is_idempotent(frames: list[Frame]) -> None:
    """Admitted frames pass the gate again unchanged: a replay sees the live run's frames."""
    once, _ = through(frames)
    again, _ = through(once)
    assert list(map(repr, once)) == list(map(repr, again))


def test_every_counted_frame_is_accounted_for() -> None:
    """Frames in = frames on + frames dropped, of a random mix of faults."""
    rng = random.Random(1)
    frames = drive(2000)
    for i in rng.sample(range(2000), 200):
        frames[i] = msgspec.structs.replace(frames[i], x_m=rng.uniform(-1e5, 1e5))
    shuffled = sorted(frames, key=lambda f: f.t_s + rng.uniform(0, 0.2))
    got, counters = through(shuffled)
    dropped = sum(counters.get(k, 0) for k in ("late", "duplicate", "jump_refused", "time_refused"))
    assert 2000 - dropped == pytest.approx(len(got), abs=2)  # up to two are still held back at the end
    assert len(got) == counters["frames"]


def test_running_numbers() -> None:
    """A gap is a loss, a late one takes its loss back, a far number is a restart and no loss."""
    counters = Counters()
    numbers = Sequence(counters)
    assert [False, False, True, False, False, False] == [numbers.seen(n) for n in (1, 2, 2, 5, 4, 900_000)]
    assert 1 == counters["lost"]
    assert [False, False] == [numbers.seen(n) for n in (3, 4)]
    assert 1 == counters["lost"]


def test_every_kind_is_explained() -> None:
    """A counter without words for a person cannot be counted."""
    with pytest.raises(KeyError):
        Counters().add("something")
    assert ["3 came twice"] == explain({"duplicate": 3})
    assert all(KINDS.values())
