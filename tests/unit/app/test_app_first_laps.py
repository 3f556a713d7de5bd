"""Laps without a profile: their times, how many are missing, and the profile that is made or found."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from feeds_loop import Loop

from coach.app.circuits.circuit_match import Match, fits, lap_lengths, match, thinned, verdict, wrong_length
from coach.app.circuits.circuit_watch import CircuitWatch
from coach.app.circuits.known_circuits import fitting
from coach.app.live.first_drive import Drove, FirstLaps, ProfileMaker, at_once, free_folder
from coach.app.live.lap_timer import LapTimer
from coach.core.columns import Columns
from coach.core.track.reference import Reference
from coach.profile.store import load_plan
from feeds.frame import Frame
from feeds.practice import hollow_ridge, simulate

LOOP = Loop()
NAN = float("nan")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with nothing in it."""
    return tmp_path_factory.mktemp("home")


@pytest.fixture(autouse=True)
def empty_home(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The search for profiles of the machine uses this folder."""
    monkeypatch.setenv("XDG_DATA_HOME", str(home))


@pytest.fixture(scope="module")
def ridge() -> Reference:
    """The shipped circuit's reference."""
    return load_plan("hollow_ridge").reference


def only(frames: list[Frame], *names: str) -> list[Frame]:
    """The frames with these fields alone."""
    return [Frame(f.t_s, **{n: getattr(f, n) for n in names}) for f in frames]


@pytest.mark.parametrize(
    ("names", "rate_hz", "within_s"),
    [
        (("lap_distance_m", "speed_mps"), 60.0, 0.002),
        (("lap_distance_m",), 60.0, 0.02),
        (("lap", "speed_mps"), 60.0, 0.02),
        (("x_m", "y_m", "speed_mps"), 60.0, 0.005),
        (("x_m", "y_m", "speed_mps"), 10.0, 0.02),
    ],
)
def test_lap_times_by_whatever_the_feed_gives(names: tuple[str, ...], rate_hz: float, within_s: float) -> None:
    """By distance, counter or position the laps have the times that were driven; the out-lap has none."""
    timer = LapTimer()
    laps = timer.push(only(LOOP.frames(4.6, rate_hz, start_m=2000.0), *names))
    assert 3 <= len(laps)
    assert [LOOP.lap_time_s] * len(laps) == pytest.approx([lap.time_s for lap in laps], abs=within_s)
    assert all(lap.valid for lap in laps)
    assert timer.running_s() > 0.0


def test_a_gap_and_a_pit_stop_spoil_a_lap() -> None:
    """A lap with a gap has no time; one through the pits does not count and says why."""
    frames = LOOP.frames(5.2, 60.0, start_m=2000.0)
    length = LOOP.lap_time_s
    gap = [f for f in frames if not 1.5 * length < f.t_s < 1.5 * length + 5.0]
    assert 3 == len(LapTimer().push(gap))
    pits = [msgspec.structs.replace(f, in_pit=abs(f.t_s - 1.5 * length) < 3.0) for f in frames]
    assert ["pit"] == [lap.why_invalid for lap in LapTimer().push(pits) if not lap.valid]


def test_the_view_has_a_clock_and_says_what_is_missing() -> None:
    """The status line of the overlay: the running lap and the laps that a profile still needs."""
    said: list[str] = []
    laps = FirstLaps(3, said.append)
    frames = LOOP.frames(3.5, 60.0, start_m=2000.0)
    assert "first pass of the line starts the clock; 3 laps more for a profile" == FirstLaps(3, print).view().status
    done = []
    for chunk in _chunks(frames):
        done += laps.push_columns(chunk).laps
        laps.tell()
    assert len(done) == laps.valid
    assert ["2 laps more for a profile", "1 lap more for a profile"][: len(done)] == said[:2]
    view = laps.view()
    assert "live" == view.state
    assert view.status.endswith("more for a profile") or view.status.endswith("enough laps for a profile")
    assert view.status[0].isdigit()


def test_a_profile_is_made_after_enough_laps_and_not_before(tmp_path: Path) -> None:
    """Three valid laps make it; obstacles are reported, and one more lap is required."""
    said: list[str] = []
    run = list(simulate(hollow_ridge(), 4, seed=2).frames())
    # elsewhere on earth: no profile of this machine fits
    run = [msgspec.structs.replace(f, x_m=f.x_m + 9000.0) for f in run]
    laps = FirstLaps(3, said.append)
    maker = ProfileMaker(
        laps, lambda: free_folder(tmp_path, "mine"), "Mine", lambda: Drove(frozenset(), (NAN, NAN)), said.append, True,
        at_once,
    )  # fmt: skip
    for i in range(0, len(run), 256):
        maker.step()
        if maker.ready is not None:
            break
        laps.push_columns(Columns.of(run[i : i + 256]))
    assert maker.ready == tmp_path / "mine" / "profile.yaml"
    assert 3 == laps.valid
    plan = load_plan(maker.ready)
    assert "Mine" == plan.circuit
    assert 8 <= len(plan.corners)
    assert "making the profile: keep driving" in said


def test_a_profile_that_fits_is_found_instead(tmp_path: Path) -> None:
    """On a circuit that this machine knows no second profile is made: the known one is taken."""
    said: list[str] = []
    laps = FirstLaps(3, said.append)
    maker = ProfileMaker(
        laps, lambda: tmp_path / "never", "x", lambda: Drove(frozenset(), (NAN, NAN)), said.append, True, at_once
    )
    for i, chunk in enumerate(_chunks(list(simulate(hollow_ridge(), 1, seed=2).frames()))):
        maker.step()
        if maker.ready is not None:
            break
        laps.push_columns(chunk)
        assert i < 10, "found within the first minute"
    assert maker.ready is not None
    assert "this is Hollow Ridge" in said[0]
    assert laps.view().status.endswith("; Hollow Ridge has a profile")


def _chunks(frames: list[Frame]) -> list[Columns]:
    return [Columns.of(frames[i : i + 300]) for i in range(0, len(frames), 300)]


def moved(frames: list[Frame], dx: float) -> list[Frame]:
    return [msgspec.structs.replace(f, x_m=f.x_m + dx) for f in frames]


def reversed_frames(frames: list[Frame]) -> list[Frame]:
    last = frames[-1].t_s
    return [msgspec.structs.replace(f, t_s=last - f.t_s) for f in reversed(frames)]


def test_the_right_circuit_says_nothing(ridge: Reference) -> None:
    """All laps of the practice car, also 12 m beside the line (a pit lane), fit and say nothing."""
    said: list[str] = []
    frames = list(simulate(hollow_ridge(), 2, seed=2).frames())
    watch = CircuitWatch(ridge, said.append, lambda x, y: "")
    assert "" == watch.look(frames)
    assert "" == CircuitWatch(ridge, said.append, lambda x, y: "").look(moved(frames, 12.0))
    assert [] == said


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda frames: moved(frames, 9000.0), "this is not Hollow Ridge: never within 40 m of its line (nearest"),
        (lambda frames: LOOP.frames(1.0), "this is not Hollow Ridge: "),
        (reversed_frames, "this is Hollow Ridge in the reversed direction"),
    ],
)
def test_another_circuit_is_said_once_while_driving(ridge: Reference, change, words: str) -> None:  # type: ignore[no-untyped-def]
    """Elsewhere, on a course that crosses it, or the other way round: one line, and a status that stays."""
    said: list[str] = []
    frames = change(list(simulate(hollow_ridge(), 1, seed=2).frames()))
    watch = CircuitWatch(ridge, said.append, lambda x, y: "; Other fits: --profile other")
    for i in range(0, len(frames), 60):
        watch.look(frames[i : i + 60])
    assert 1 == len(said)
    assert said[0].startswith(words)
    assert said[0].endswith("; Other fits: --profile other")
    assert watch.status.startswith(words)


def test_coming_back_to_the_circuit_is_said(ridge: Reference) -> None:
    """A drive that began elsewhere and then fits is over its trouble."""
    said: list[str] = []
    frames = list(simulate(hollow_ridge(), 2, seed=2).frames())
    watch = CircuitWatch(ridge, said.append, lambda x, y: "")
    watch.look(moved(frames[:3000], 9000.0))
    assert "" == watch.look(frames[3000:])
    assert "this is Hollow Ridge now" == said[-1]


def test_without_positions_the_length_of_the_lap_tells(ridge: Reference) -> None:
    """A lap 10 % too long is another circuit, one 1 % too long is not."""
    lap = np.arange(0.0, ridge.length_m * 1.1, 5.0)
    lengths = lap_lengths(np.concatenate([lap[200:], lap, lap, lap[:50]]))
    assert 2 == len(lengths)
    assert wrong_length(ridge, lengths).startswith("this is not Hollow Ridge: a lap has")
    assert "" == wrong_length(ridge, [ridge.length_m * 1.01])
    assert "" == wrong_length(ridge, [])


def test_too_little_says_nothing(ridge: Reference) -> None:
    """Standing in the paddock, or 200 m of driving anywhere, is no other circuit."""
    assert "" == verdict(ridge, match(ridge, *thinned(np.full(50, 5e3), np.full(50, 5e3))))
    assert "" == verdict(ridge, Match(200.0, 900.0, 0.0, 0.0))


def test_the_profile_of_this_machine_that_fits_is_named(ridge: Reference) -> None:
    """Its own line fits the shipped profile; another one, and one on another plane of the earth, do not."""
    found = fitting(ridge.x_m, ridge.y_m, (NAN, NAN))
    assert found is not None
    assert "hollow_ridge" == found.argument
    assert fitting(ridge.x_m + 9000.0, ridge.y_m, (NAN, NAN)) is None
    assert fitting(ridge.x_m, ridge.y_m, (48.0, 11.0)) is None
    assert not fits(ridge, ridge.x_m[::-1], ridge.y_m[::-1])


@pytest.mark.parametrize(
    ("along", "against", "words"),
    [
        (0.2, 0.55, ""),
        (0.2, 0.65, "reversed"),
        (0.4, 0.0, "this is not Hollow Ridge: only 40%"),
        (0.6, 0.0, ""),
    ],
)
def test_how_much_of_the_way_tells_another_circuit(ridge: Reference, along: float, against: float, words: str) -> None:
    """Half of the way near the line is this circuit; six tenths against its direction is the other way round."""
    found = verdict(ridge, Match(3000.0, 0.0, along, against))
    assert words in found
    assert bool(words) is bool(found)
