"""Columns, course, timing, laps, history: the small parts of the path."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from core_setup import corner, plan, ring
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.columns import Columns
from coach.core.locate.frame_buffer import FrameBuffer
from coach.core.locate.locator import Fixes
from coach.core.measure.lap_ledger import LapLedger
from coach.core.measure.passes import LossPiece, PassRecord
from coach.core.phases import Event, Phase, step
from coach.core.track.course import Course, Kind
from coach.core.track.timing import CAUTIOUS, LONGEST_LEAD_S, REACH_S, ROOM_S, approaches, free_m, time_to
from coach.core.track.zones import zones
from coach.core.track_model import TrackModel
from coach.core.values import Corner
from feeds.frame import CHANNELS, Frame

real = st.floats(-1e6, 1e6)


@settings(max_examples=80)
@given(
    st.lists(
        st.builds(
            Frame, t_s=real, x_m=real, y_m=real, speed_mps=st.one_of(real, st.just(float("nan"))), brake=real,
            lap=st.one_of(st.none(), st.integers(0, 99)), gear=st.one_of(st.none(), st.integers(-1, 8)),
            in_pit=st.one_of(st.none(), st.booleans()), anti_lock=st.one_of(st.none(), st.booleans()),
        ),
        max_size=8,
    )
)  # fmt: skip
def test_frames_survive_the_columns(frames: list[Frame]) -> None:
    """Frames to columns and back are the same values; None comes back as None, NaN as NaN."""
    again = Columns.of(frames).frames()
    assert list(map(repr, frames)) == list(map(repr, again))


def test_columns_are_cut_and_joined_without_change() -> None:
    """Parts joined are the whole; a wrong shape is refused."""
    chunk = Columns(np.arange(len(CHANNELS) * 9.0).reshape(len(CHANNELS), 9))
    joined = Columns.join([chunk.part(0, 4), chunk.part(4, 4), chunk.part(4, 9)])
    assert np.array_equal(chunk.data, joined.data)
    assert 3 == len(chunk.where(np.arange(9) % 3 == 0))
    assert 0 == len(Columns.of([]))
    with pytest.raises(ValueError, match="shape"):
        Columns(np.zeros((3, 3)))


def two_corners(closed: bool = True) -> tuple[TrackModel, list[Corner]]:
    """A ring with a corner at 500 m and one whose end lies over the line."""
    some = [corner("A", 500.0), corner("B", 1950.0 if closed else 1700.0)]
    return TrackModel(ring(2000, closed=closed), tuple(some)), some


@pytest.mark.parametrize("squeezed", [("apex_m",), ("turn_in_m", "apex_m"), ("start_m", "turn_in_m", "apex_m")])
def test_a_corner_that_ends_at_its_apex_is_driven_through_its_phases(squeezed: tuple[str, ...]) -> None:
    """A window cut short by the next corner: each event of it is possible in its phase, lap after lap."""
    model, _ = two_corners()
    first, second = model.zones
    end = second.start_m
    cut = msgspec.structs.replace(first, exit_m=end, end_m=end, next_start_m=end, **dict.fromkeys(squeezed, end))
    course, phase, seen = Course(model.reference, (cut, second)), Phase.STRAIGHT, set()
    course.begin(0.0)
    for _, kind, of, _ in course.pass_by(3.0 * model.reference.length_m):
        if kind.name in Event.__members__:
            phase = step(phase, Event[kind.name])
            seen.add((phase, of))
    assert {(Phase.APPROACH, 0), (Phase.EXIT, 0), (Phase.STRAIGHT, 0), (Phase.EXIT, 1), (Phase.STRAIGHT, 1)} <= seen


def test_places_come_in_driving_order_lap_after_lap() -> None:
    """Over three laps each corner's places come once a lap in their order, the line once a lap, and the corner keeps
    the lap in which it began, also over the line."""
    ground, _ = two_corners()
    course = Course(ground.reference, ground.zones)
    course.begin(100.0)
    passed = list(course.pass_by(6100.0))
    assert [p[0] for p in passed] == sorted(p[0] for p in passed)
    assert 3 == sum(kind is Kind.LINE for _, kind, _, _ in passed)
    order = [kind for _, kind, c, lap in passed if c == 1 and lap == 1]
    assert [Kind.OPEN, Kind.ZONE, Kind.BRAKE, Kind.TURN_IN, Kind.APEX, Kind.END, Kind.LEFT, Kind.MEASURE] == order
    assert {0, 1, 2} <= {lap for _, kind, c, lap in passed if c == 1 and kind is Kind.ZONE}


@settings(max_examples=100)
@given(st.lists(st.floats(0.1, 900.0), min_size=1, max_size=12), st.floats(0.0, 5000.0))
def test_places_do_not_depend_on_the_steps(steps: list[float], start: float) -> None:
    """However far each look reaches, the same places are passed once."""
    ground, _ = two_corners()
    one, many = (Course(ground.reference, ground.zones) for _ in range(2))
    one.begin(start)
    many.begin(start)
    ends = start + np.cumsum(steps)
    assert list(one.pass_by(float(ends[-1]))) == [p for end in ends for p in many.pass_by(float(end))]


def test_an_open_course_ends() -> None:
    """A point-to-point course has its places once and then no more."""
    ground, _ = two_corners(closed=False)
    course = Course(ground.reference, ground.zones)
    course.begin(0.0)
    assert 16 == len(list(course.pass_by(1e9)))
    assert float("inf") == course.next_m


def test_the_time_to_a_place() -> None:
    """At the reference's pace it is distance over speed, a little less for caution; a faster car gets there sooner, a
    slower one is not relied upon; it grows with the distance, so the lead in metres grows with speed (the sign of
    George, Green & Fleming 1995; nothing more is taken from there)."""
    reference = ring(2000, 50.0)
    assert 4.0 * CAUTIOUS == pytest.approx(time_to(reference, 1900.0, 50.0, 2100.0))
    assert time_to(reference, 0.0, 60.0, 200.0) < time_to(reference, 0.0, 50.0, 200.0)
    assert time_to(reference, 0.0, 50.0, 200.0) == time_to(reference, 0.0, 30.0, 200.0)
    leads = []
    for speed in (20.0, 40.0, 60.0, 80.0):
        fast = ring(4000, speed)
        (zone,) = zones((corner("A", 3000.0),), 4000.0, True)
        leads.append(zone.quiet_m - approaches(fast, (zone,))[0].open_m)
    assert leads == sorted(leads)
    assert leads[0] < leads[-1]


def test_cues_open_on_the_nearest_place_with_room() -> None:
    """A corner with a straight before it opens there, 8 s and its margin ahead; one that follows closely opens before
    the first of its group, by name, unless that is more than 12 s ahead."""
    reference, corners = plan()
    found = zones(corners, reference.length_m, True)
    n = len(found)
    for i, a in enumerate(approaches(reference, found)):
        anchor = found[a.anchor]
        shift = reference.length_m if a.anchor > i else 0.0
        quiet = float(reference.at("t_s", anchor.quiet_m - shift))
        end = free_m(found[a.anchor - 1]) - (reference.length_m if a.anchor == 0 else 0.0) - shift
        room = quiet - float(reference.at("t_s", end))
        assert a.named == (a.anchor != i)
        assert a.open_m >= end - 1e-6
        assert quiet - float(reference.at("t_s", a.open_m)) <= LONGEST_LEAD_S + 3.0
        if a.named:
            assert float(reference.at("t_s", found[i].quiet_m)) - quiet <= REACH_S
            own = float(reference.at("t_s", found[i].quiet_m)) - float(
                reference.at("t_s", free_m(found[i - 1]) - (reference.length_m if i == 0 else 0.0))
            )
            assert own < ROOM_S
            assert own < room
    assert any(a.named for a in approaches(reference, found))
    assert n > sum(a.named for a in approaches(reference, found))


def test_history_forgets_and_hides() -> None:
    """Old frames go, the window grows as needed, and what lies after the moment that is measured is not seen."""
    history = FrameBuffer()
    places = np.arange(9000.0)
    for start in range(0, 9000, 700):
        some = places[start : start + 700]
        nan = np.full(len(some), np.nan)
        fixes = Fixes(np.arange(len(some)), some, some, nan, some + 1.0, np.ones(len(some), dtype=np.bool_))
        history.add(Columns.empty(len(some)), fixes)
    assert np.array_equal(places, history.u_m)
    assert np.array_equal(places + 1.0, history["speed_mps"])
    history.forget(8000.0)
    assert 8000.0 == history.u_m[0]
    assert slice(99, 202) == history.span(8100.0, 8200.0)
    history.hidden = 850
    assert 150 == len(history)
    assert 8149.0 == history.u_m[-1]
    assert slice(0, 0) == history.span(8500.0, 8600.0)


def driven(lap: int, losses: list[float], line_t_s: float = float("nan")) -> PassRecord:
    """A pass with these losses in ``lap``; with ``line_t_s`` the line into the next lap was crossed in it."""
    (zone,) = zones((corner("A", 500.0),), 2000.0, True)
    pieces = tuple(LossPiece(lap, 0, "entry", x, lap) for x in losses)
    return PassRecord(lap, 0, zone, None, pieces, {}, {}, True, line_t_s, lap + 1)


def test_laps_add_up_and_count_only_whole_and_clean() -> None:
    """The first crossing opens a lap, the second closes it with its time and losses; a spoiled lap says why, once."""
    book = LapLedger()
    assert book.add(driven(0, [0.5], 10.0)) is None
    assert book.add(driven(1, [0.1, 0.2])) is None
    done = book.add(driven(1, [-0.05], 101.5))
    assert done is not None
    assert (1, 91.5, True, "") == (done.lap, done.time_s, done.valid, done.why_invalid)
    assert done.delta_s == pytest.approx(0.25)
    book.spoil(2, "off track")
    book.spoil(2, "off track")
    book.spoil(2, "lost")
    invalid_reason = book.add(driven(2, [1.0], 195.0))
    assert invalid_reason is not None
    assert (False, "off track, lost") == (invalid_reason.valid, invalid_reason.why_invalid)
    assert len(book.laps) <= 4


def test_the_next_corner_of_a_glance() -> None:
    """The corner whose apex comes next, with the distance to its brake point, over the line too; none on the last
    stretch of an open course."""
    ground, _ = two_corners()
    zone, to_brake = ground.next_corner(2000.0 + 100.0)
    assert ("A", 300.0) == (zone.corner.name if zone else "", to_brake)
    zone, to_brake = ground.next_corner(450.0)
    assert ("A", 0.0) == (zone.corner.name if zone else "", to_brake)
    zone, to_brake = ground.next_corner(1990.0)
    assert "A" == (zone.corner.name if zone else "")
    assert to_brake == pytest.approx(410.0)
    straight, _ = two_corners(closed=False)
    assert straight.next_corner(1990.0)[0] is None
