"""Tones as sound: softer than speech, without a click, from their side, at their moment."""

from __future__ import annotations

import threading
import time

import numpy as np
import pyloudnorm
import pytest

from coach.core.values import Decision
from coach.errors import OutputError
from coach.outputs.voice.loudness import TARGET_LUFS, whole_cells
from coach.outputs.voice.process import VoiceOutput
from coach.outputs.voice.sound import RATE_HZ
from coach.outputs.voice.tones import LATE_S, PITCH_HZ, SOFTER_LU, SessionClock, TonePlayer, clip, tone


def sounded(t_s: float, due_s: float, name: str = "point") -> Decision:
    """A decision on a tone."""
    return Decision(t_s, 1, 0.0, "A", "count_tone", "sounded", "", name, due_s + 0.08, due_s, "tone")


@pytest.mark.parametrize("name", sorted(PITCH_HZ))
def test_softer_than_speech_and_without_a_click(name: str) -> None:
    """6 LU under speech by ITU-R BS.1770, measured with pyloudnorm; it begins and ends at silence in small steps."""
    wave = tone(name)
    padded = np.concatenate([whole_cells(wave), np.zeros(RATE_HZ)])[: round(0.4 * RATE_HZ)]
    measured = pyloudnorm.Meter(RATE_HZ).integrated_loudness(padded)
    assert TARGET_LUFS - SOFTER_LU == pytest.approx(measured, abs=0.2)
    assert abs(wave[0]) < 1e-6
    assert abs(wave[-1]) < 0.01 * np.abs(wave).max()
    turn = 2 * np.pi * PITCH_HZ[name] / RATE_HZ
    assert np.abs(np.diff(wave)).max() < 1.5 * turn * np.abs(wave).max()
    peak = np.fft.rfftfreq(len(wave), 1 / RATE_HZ)[np.abs(np.fft.rfft(wave)).argmax()]
    assert PITCH_HZ[name] == pytest.approx(peak, abs=1.0 / 0.08)


def test_gained_is_right_and_lost_is_left() -> None:
    """In stereo each comes from its side alone, the others from both alike; mono holds one channel."""
    for name, silent in (("gain", 0), ("loss", 1)):
        sides = np.frombuffer(clip(name, True), "<i2").reshape(-1, 2)
        assert not sides[:, silent].any()
        assert sides[:, 1 - silent].any()
    both = np.frombuffer(clip("point", True), "<i2").reshape(-1, 2)
    assert np.array_equal(both[:, 0], both[:, 1])
    assert len(clip("point", True)) == 2 * len(clip("point", False))


def test_the_clock_takes_the_fastest_arrival() -> None:
    """Decisions that arrive late do not move it; a pause of the feed does."""
    clock = SessionClock()
    assert 1010.1 == pytest.approx(clock.at(10.0, 1010.0, 10.1))
    assert 1011.1 == pytest.approx(clock.at(11.0, 1011.03, 11.1), abs=0.001)
    assert 1012.095 == pytest.approx(clock.at(12.0, 1011.995, 12.1), abs=0.001)
    assert 1018.1 == pytest.approx(clock.at(13.0, 1018.0, 13.1))


def test_each_at_its_moment_in_order_of_time() -> None:
    """Given out of order they sound in order; one long past is left out; a device that is gone is counted."""
    names: list[str] = []
    three = threading.Event()

    def play(name: str) -> None:
        names.append(name)
        if name == "release":
            raise OutputError("gone")
        if len(names) == 3:
            three.set()

    player = TonePlayer(play, 0.0)
    try:
        began = time.monotonic()
        player.decision(sounded(0.0, 0.2, "point"))
        player.decision(sounded(0.0, 0.05, "release"))
        player.decision(sounded(0.0, 0.1, "count"))
        player.decision(sounded(0.0, -LATE_S - 0.02, "gain"))
        assert three.wait(5.0)
        assert time.monotonic() - began >= 0.19
        assert ["release", "count", "point"] == names
    finally:
        player.close()
    assert (2, 1, 1) == (player.played, player.late, player.unheard)


def test_a_voice_without_tones_lets_them_be() -> None:
    """A sounded decision is no phrase: nothing is looked up, played or missed."""

    class Bank:
        problem = ""

        def clip(self, text: str) -> bytes | None:
            raise AssertionError(text)

    class Player:
        def close(self) -> None:
            """Nothing."""

    voice = VoiceOutput(Bank(), Player(), print)  # type: ignore[arg-type]
    voice.decision(sounded(0.0, 0.1))
    assert 0 == voice.missed
    voice.close()
