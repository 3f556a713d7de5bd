from __future__ import annotations

import sys
from itertools import islice
from pathlib import Path

import pytest

from coach.profile.store import load_plan
from feeds.clock import ManualClock
from feeds.errors import FeedEnded, FeedOpenError
from feeds.practice import FaultPlan, Noise, faultless, hollow_ridge, simulate
from feeds.practice.faultless import Faultless
from feeds.practice.feed import HABITS, PracticeFeed
from feeds.registry import feed_class

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))
import make_practice_profile

PROFILE = Path(__file__).resolve().parents[3] / "profiles" / "hollow_ridge"


@pytest.fixture(scope="module")
def base() -> Faultless:
    return faultless(hollow_ridge())


def test_the_feed_drives_what_simulate_drives(base: Faultless) -> None:
    """The same seed gives the same frames and lap times, whether at once or lap by lap."""
    run = simulate(base, 2, seed=3, faults=HABITS, rate_hz=20.0)
    feed = PracticeFeed(base, seed=3, faults=HABITS, rate_hz=20.0, laps=2)
    frames = list(feed.frames())
    assert [f.t_s for f in run.frames()] == [f.t_s for f in frames]
    assert [f.x_m for f in run.frames()] == [f.x_m for f in frames]
    assert run.lap_times_s.tolist() == pytest.approx([feed.lap_times_s[1], feed.lap_times_s[2]], abs=1e-9)


def test_the_driver_takes_advice(base: Faultless) -> None:
    """A fault with a cue shrinks from the next stretch on, by the learned share; other faults stay."""
    feed = PracticeFeed(base, faults=FaultPlan.of(("Quarry", "brake_early", 16.0), ("Signal", "coasting", 20.0)),
                        laps=4, rate_hz=20.0)  # fmt: skip
    told = False
    for frame in feed.frames():
        if not told and frame.lap == 2:
            feed.hear(0, "brake_early")
            feed.hear("Signal", "brake_early")
            told = True
    amounts = {(t.lap, t.name): t.amount for t in feed.truth}
    assert [16.0, 16.0, 8.0, 8.0] == [amounts[lap, "Quarry"] for lap in (1, 2, 3, 4)]
    assert {20.0} == {amounts[lap, "Signal"] for lap in (1, 2, 3, 4)}


def test_the_default_driver_has_something_to_be_told() -> None:
    """The registry's practice feed needs no argument; each habit costs time in the first laps."""
    feed = feed_class("practice")()
    assert isinstance(feed, PracticeFeed)
    with feed:
        for frame in feed.frames():
            if frame.lap == 3:
                break
        costs = {(t.name, t.fault): t.cost_s for t in feed.truth if t.lap == 2}
    assert {(h.corner, h.fault) for h in HABITS.habits} == set(costs)
    assert sum(costs.values()) > 0.4
    assert "lap_distance_m" in feed.channels.given


def test_it_ends_and_closes(base: Faultless) -> None:
    """After the last lap, and after close, a read says that there is no more."""
    feed = PracticeFeed(base, laps=1, rate_hz=20.0)
    assert 1 < len(list(feed.frames()))
    with pytest.raises(FeedEnded):
        feed.read(0.0)
    other = PracticeFeed(base, rate_hz=20.0)
    assert 10 == len(list(islice(other.frames(), 10)))
    other.close()
    with pytest.raises(FeedEnded):
        other.read(0.0)


def test_at_real_time_it_waits_for_each_frame(base: Faultless) -> None:
    """With speed 1 frames come by the clock; a read that is too short gives None."""
    clock = ManualClock()
    feed = PracticeFeed(base, rate_hz=20.0, speed=1.0, clock=clock)
    times = [frame.t_s for frame in islice(feed.frames(), 41)]
    assert times[-1] - times[0] == pytest.approx(clock.now_s, abs=0.06)
    assert feed.read(0.001) is None


def test_noise_is_survived_and_counted(base: Faultless) -> None:
    """Doubles and late frames never leave the feed; they are counted."""
    feed = PracticeFeed(base, laps=1, noise=Noise(position_m=0.2, loss=0.05, duplicates=0.05, reorder=3))
    times = [f.t_s for f in feed.frames()]
    assert sorted(set(times)) == times
    assert sum(feed.counters.values()) > len(times)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"laps": 0}, "laps: .*found 0"),
        ({"learns": 2.0}, "learns: .*found 2.0"),
        ({"rate_hz": 0.0}, "rate: .*found 0.0"),
        ({"speed": 0.0}, "speed"),
        ({"faults": FaultPlan.of(("Nowhere", "coasting", 1.0))}, "Nowhere"),
    ],
)
def test_what_can_not_be_is_refused_at_once(base: Faultless, arguments: dict[str, object], words: str) -> None:
    """One line that names what was found."""
    with pytest.raises(FeedOpenError, match=words):
        PracticeFeed(base, **arguments)  # type: ignore[arg-type]


def test_the_shipped_profile_is_that_of_the_circuit(base: Faultless, tmp_path: Path) -> None:
    """The maker makes again what ships: the same text, the same line and lap time; and it validates."""
    make_practice_profile.main(tmp_path)
    ours, shipped = load_plan(tmp_path), load_plan(PROFILE)
    assert (tmp_path / "profile.yaml").read_text() == (PROFILE / "profile.yaml").read_text()
    assert shipped.reference.x_m == pytest.approx(ours.reference.x_m, abs=1e-3)
    assert shipped.reference.lap_time_s == pytest.approx(ours.reference.lap_time_s, abs=1e-4)
    assert [c.name for c in base.corners] == [c.name for c in shipped.corners]
    assert [c.direction for c in base.corners] == [c.direction for c in shipped.corners]
