from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from coach.core.values import Decision
from coach.errors import OutputError
from coach.outputs.voice.bank import PhraseBank
from coach.outputs.voice.device import MixerDevice, list_devices
from coach.outputs.voice.player import Player
from coach.outputs.voice.process import VoiceOutput

SHORT, LONG = bytes(2 * 960), bytes(2 * 48000)  # 20 ms and 1 s


def until(true: Callable[[], bool], limit_s: float = 5.0) -> None:
    """Wait for something, at most ``limit_s``."""
    deadline = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.002)


class FakeDevice:
    """A device that can be pulled out; ``log`` lists its calls."""

    def __init__(self, there: bool = True) -> None:
        self.there = there
        self.log: list[str] = []
        self.clips: list[bytes] = []

    def open(self) -> None:
        """Fail when pulled out."""
        self.log.append("open")
        if not self.there:
            raise OutputError("no sound device")

    def play(self, clip: bytes) -> None:
        """Keep the clip."""
        if not self.there:
            raise OutputError("the sound device is gone")
        self.log.append("play")
        self.clips.append(clip)

    def tone(self, clip: bytes) -> None:
        """Keep it as a clip."""
        self.play(clip)

    def set_volume(self, share: float) -> None:
        """Note it."""
        self.log.append(f"volume {share:g}")

    def alive(self) -> bool:
        """Whether it is plugged in."""
        return self.there

    def close(self) -> None:
        """Note it."""
        self.log.append("close")


@pytest.fixture
def notes() -> list[str]:
    return []


@pytest.fixture
def device() -> FakeDevice:
    return FakeDevice()


@pytest.fixture
def player(device: FakeDevice, notes: list[str]) -> Iterator[Player]:
    made = Player(device, notes.append, retry_s=(0.01, 0.02), watch_s=0.01)
    yield made
    made.close()


def test_one_clip_does_not_cut_another(player: Player, device: FakeDevice) -> None:
    """While a clip sounds a second one is dropped, not played over it and not kept for later."""
    player.say(LONG)
    player.say(SHORT)
    until(lambda: player.counts.dropped == 1)
    assert [LONG] == device.clips


def test_a_clip_just_behind_another_waits_its_moment(player: Player, device: FakeDevice) -> None:
    """The end of a clip is awaited when that is a matter of milliseconds."""
    player.say(SHORT)
    player.say(SHORT + SHORT)
    until(lambda: player.counts.played == 2)
    assert [SHORT, SHORT + SHORT] == device.clips
    assert 0 == player.counts.dropped


def test_only_safety_cuts(player: Player, device: FakeDevice) -> None:
    """A caution ends running speech at once; a caution is not cut by anything."""
    player.say(LONG)
    player.say(LONG + SHORT, safety=True)
    until(lambda: player.counts.played == 2)
    player.say(SHORT)
    until(lambda: player.counts.dropped == 1)
    assert [LONG, LONG + SHORT] == device.clips
    assert 1 == player.counts.cut


def test_no_device_is_said_once_and_tried_again(notes: list[str]) -> None:
    """No device: one line, the cues are counted as not heard, and when it comes it is used."""
    device = FakeDevice(there=False)
    player = Player(device, notes.append, retry_s=(0.01,), watch_s=0.01)
    try:
        player.say(SHORT)
        until(lambda: player.counts.unheard == 1 and device.log.count("open") > 3)
        assert ["no sound device; cues are shown as captions until it is there"] == notes
        device.there = True
        until(lambda: player.working)
        player.say(SHORT)
        until(lambda: player.counts.played == 1)
        assert "the sound device is back: cues are heard again" == notes[-1]
        assert 2 == len(notes)
    finally:
        player.close()


def test_a_device_pulled_out_is_noticed_without_a_cue(player: Player, device: FakeDevice, notes: list[str]) -> None:
    """Between cues the device is watched; pulled out and put back, it is opened again."""
    player.ready.wait()
    device.there = False
    until(lambda: not player.working)
    device.there = True
    until(lambda: player.working and len(notes) == 2)
    assert ["no sound device; cues are shown as captions until it is there"] == notes[:1]
    assert 1 <= player.counts.reopened


def test_a_device_that_goes_while_a_clip_starts(player: Player, device: FakeDevice) -> None:
    """A failed play counts as unheard and the device is reopened."""
    player.ready.wait()
    device.there = False
    player.say(SHORT)
    until(lambda: player.counts.unheard == 1)
    assert "close" in device.log


def test_say_returns_at_once_even_when_the_device_hangs(notes: list[str]) -> None:
    """The engine's thread is not held up while the device blocks: under 5 ms for 100 cues."""
    gate = threading.Event()

    class Hanging(FakeDevice):
        def play(self, clip: bytes) -> None:
            """Block."""
            gate.wait(10)

    player = Player(Hanging(), notes.append)
    player.ready.wait()
    started = time.perf_counter()
    for _ in range(100):
        player.say(SHORT)
    spent = time.perf_counter() - started
    gate.set()
    player.close()
    assert spent < 0.005


@pytest.fixture
def dummy_audio(monkeypatch: pytest.MonkeyPatch) -> None:
    """SDL's driver without a sound card."""
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")


@pytest.mark.usefixtures("dummy_audio")
def test_the_real_mixer_plays_on_the_dummy_driver(notes: list[str]) -> None:
    """pygame's mixer opens, plays and closes; its device is listed."""
    player = Player(MixerDevice(), notes.append)
    try:
        player.say(SHORT)
        until(lambda: player.counts.played == 1)
        assert [] == notes
        assert len(list_devices()) >= 1
    finally:
        player.close()


def test_no_such_device_and_bad_buffer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A missing driver and a buffer that is not allowed are one clear line each."""
    monkeypatch.setenv("SDL_AUDIODRIVER", "nonsense")
    with pytest.raises(OutputError, match="no sound device: "):
        MixerDevice().open()
    with pytest.raises(OutputError, match="sound buffer: expected one of 256, 512"):
        MixerDevice(buffer=500)


def decision(text: str, outcome: str = "spoken", safety: bool = False) -> Decision:
    return Decision(1.0, 1, 10.0, "Kettle", "r", outcome, "", text, 2.0, 3.0, safety=safety)  # type: ignore[arg-type]


def test_decisions_become_sound(tmp_path: Path, player: Player, device: FakeDevice, notes: list[str]) -> None:
    """Spoken decisions are played from the bank, held ones are not, an unprepared one is rendered for later."""
    bank = PhraseBank(tmp_path)
    bank.prepare(["late apex"])
    heard: list[str] = []
    voice = VoiceOutput(bank, player, notes.append, heard.append)
    voice.decision(decision("late apex", "held"))
    voice.decision(decision("third gear"))
    voice.decision(decision("third gear"))
    voice.decision(decision("late apex"))
    until(lambda: player.counts.played == 1)
    assert ["late apex"] == heard
    assert [bank.clip("late apex")] == device.clips
    assert 2 == voice.missed
    assert 1 == len(notes)
    until(lambda: bank.clip("third gear") is not None)
    voice.close()
