"""Words before there is a reference: never silence without a word, never in a corner, only rendered pieces."""

from __future__ import annotations

import pytest

from coach.app.live.first_drive import FirstLaps
from coach.app.live.first_words import CALM_S, FULL, LONGEST_S, SHORTEST_S, FirstWords
from coach.core.columns import Columns
from coach.core.cue.language import ENGLISH
from coach.core.cue.spoken_pieces import JOINT, split
from coach.core.values import Decision
from coach.profile.language_file import load_language
from feeds.frame import Frame
from feeds.practice import faultless, hollow_ridge, simulate


def said(laps: FirstLaps, frames: list[Frame], chunk: int = 7) -> list[Decision]:
    """The decisions of frames in small chunks."""
    out: list[Decision] = []
    for i in range(0, len(frames), chunk):
        out += laps.push_columns(Columns.of(frames[i : i + chunk])).decisions
    return out


@pytest.mark.parametrize(("language", "first", "later"), [
    ("en", "three laps more", ["two laps more", "one lap more", ""]),
    ("de", "noch drei Runden", ["noch zwei Runden", "noch eine Runde", ""]),
])  # fmt: skip
def test_each_lap_has_its_time_and_what_is_missing(language: str, first: str, later: list[str]) -> None:
    """First the laps that are wanted, then each lap's time with those still missing; all of it rendered beforehand."""
    words = FirstWords(load_language(language).language, 3)
    driven = simulate(faultless(hollow_ridge()), 4, rate_hz=20.0, seed=2)
    heard = said(FirstLaps(3, lambda line: None, words), list(driven.frames()))
    assert first == heard[0].text
    assert later == [", ".join(split_off(d.text)) for d in heard[1:4]]
    assert {piece for d in heard for piece in split(d.text)} <= set(words.texts)
    assert all(d.outcome == "spoken" and d.family == "call" and d.ends_t_s > d.t_s for d in heard)


def split_off(text: str) -> list[str]:
    """Return the parts of a text after its lap time."""
    return [part for part in text.split(", ") if JOINT not in part]


def test_nothing_is_said_in_a_corner() -> None:
    """A text waits for full throttle of CALM_S: brakes and part throttle keep it back, and too long a wait drops it."""
    words = FirstWords(ENGLISH, 2)
    chunk = Columns.of([Frame(t / 10, speed_mps=40.0, throttle=FULL - 0.05) for t in range(100)])
    assert not words.push(chunk, 0)
    before = Columns.of([Frame(10.0 + t / 10, speed_mps=40.0, throttle=1.0) for t in range(int(CALM_S * 10) - 1)])
    assert not words.push(before, 0)
    assert ["two laps more"] == [d.text for d in words.push(Columns.of([Frame(10.6, speed_mps=40.0, throttle=1.0)]), 0)]
    words.missing(1, 11.0)
    late = [Frame(52.0 + t / 10, speed_mps=40.0, throttle=1.0) for t in range(10)]
    assert not words.push(Columns.of(late), 0)


def test_without_pedals_rising_speed_is_a_straight() -> None:
    """A phone has no throttle: it speaks while the car gains speed."""
    words = FirstWords(ENGLISH, 2)
    assert not words.push(Columns.of([Frame(t / 10, speed_mps=40.0 - t / 10) for t in range(50)]), 0)
    assert words.push(Columns.of([Frame(5.0 + t / 10, speed_mps=30.0 + t / 10) for t in range(10)]), 0)


@pytest.mark.parametrize(("known", "text"), [(False, "reference saved"), (True, "this circuit is known")])
def test_the_reference_is_announced(known: bool, text: str) -> None:
    """As the first words of the coaching."""
    decision = FirstWords(ENGLISH, 3).saved(300.0, 3, known)
    assert decision is not None
    assert text == decision.text


def test_every_lap_time_that_is_said_is_rendered() -> None:
    """Whatever a lap takes, from half a minute to three and a half; another one is not said."""
    words = FirstWords(ENGLISH, 3)
    known = set(words.texts)
    for tenth in range(SHORTEST_S * 10 - 5, LONGEST_S * 10 + 15):
        assert set(split(words._time(tenth / 10))) <= known
    assert "" == words._time(SHORTEST_S - 0.5) == words._time(LONGEST_S + 1.5)
