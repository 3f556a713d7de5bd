from __future__ import annotations

import subprocess
import sys
import wave
from pathlib import Path

import pytest

from coach.errors import OutputError
from coach.outputs.voice.renderer import Renderer, list_voices

READY = "import json,sys,time\nprint(json.dumps({'ready': True}), flush=True)\n"

SLOW = """
import sys
from pathlib import Path
from coach.outputs.voice.engine import load_packaged
load_packaged()
from pyttsx3.drivers import _espeak
from coach.outputs.voice.render_worker import SpeechEngine

idle, cancelled = True, 0

def queued(call):
    def run(*args, **named):
        global idle
        idle = False
        return call(*args, **named)
    return run

def synchronize():
    global idle
    idle = True

def cancel():
    global cancelled
    cancelled += 1

_espeak.SetParameter, _espeak.Synth = queued(_espeak.SetParameter), queued(_espeak.Synth)
_espeak.Synchronize, _espeak.Cancel, _espeak.IsPlaying = synchronize, cancel, lambda: not idle
engine = SpeechEngine(160, "")
for name in ("a.wav", "b.wav"):
    engine.save("late apex", Path(sys.argv[1]) / name)
sys.stderr.write(str(cancelled))
"""


def fake(body: str) -> tuple[str, ...]:
    """A worker that greets and then does ``body`` for each line."""
    return (sys.executable, "-c", READY + "for line in sys.stdin:\n    " + body)


def test_the_engine_from_pip_writes_a_whole_mono_file(tmp_path: Path) -> None:
    """With no system package a phrase becomes a 16-bit mono WAV file of plausible length."""
    renderer = Renderer(160)
    try:
        renderer.render("brake at the hundred", tmp_path / "a.wav")
        renderer.render("late apex", tmp_path / "b.wav")
    finally:
        renderer.close()
    lengths = []
    for name in ("a.wav", "b.wav"):
        with wave.open(str(tmp_path / name)) as wav:
            assert (1, 2, 22050) == (wav.getnchannels(), wav.getsampwidth(), wav.getframerate())
            lengths.append(wav.getnframes() / wav.getframerate())
    assert 0.5 < lengths[1] < lengths[0] < 2.5
    assert ["a.wav", "b.wav"] == sorted(p.name for p in tmp_path.iterdir()), "no part files are left"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="espeak alone takes its orders later")
def test_an_engine_slow_to_take_its_rate_keeps_it(tmp_path: Path) -> None:
    """While espeak is still busy with an order nothing is cancelled: a cancelled rate speeds up every clip."""
    run = subprocess.run([sys.executable, "-c", SLOW, str(tmp_path)], capture_output=True, text=True, timeout=60)
    assert "0" == run.stderr
    assert ["a.wav", "b.wav"] == sorted(path.name for path in tmp_path.iterdir())


def test_unwritable_place_and_empty_text_are_errors_not_silence(tmp_path: Path) -> None:
    """Errors the engine ignores (an unwritable path, an empty text) come back as a message."""
    renderer = Renderer(160)
    try:
        with pytest.raises(OutputError, match="could not be spoken"):
            renderer.render("late apex", tmp_path / "nowhere" / "a.wav")
        with pytest.raises(OutputError, match="empty text"):
            renderer.render("  ", tmp_path / "a.wav")
    finally:
        renderer.close()


def test_unknown_voice_is_named(tmp_path: Path) -> None:
    """A voice that the engine does not have is refused with what is allowed, not replaced in silence."""
    with pytest.raises(OutputError, match=r"voice: expected one of .*; found 'nobody'"):
        Renderer(160, "nobody")


@pytest.mark.parametrize("rate", [119, 201])
def test_rate_outside_the_range_is_refused(rate: int) -> None:
    """Only 120 to 200 words per minute are allowed."""
    with pytest.raises(OutputError, match="expected 120 to 200"):
        Renderer(rate)


def test_voices_are_listed() -> None:
    """Each voice has an id that can be chosen, a name and a language."""
    voices = list_voices()
    assert any(v["language"].startswith("en") for v in voices)
    assert all(v["id"] and v["name"] for v in voices)


def test_a_hanging_worker_is_ended_after_its_limit(tmp_path: Path) -> None:
    """A worker that says nothing is killed and tried once more; the caller is told, within the limit."""
    renderer = Renderer(160, command=fake("time.sleep(60)"), phrase_limit_s=0.2)
    try:
        with pytest.raises(OutputError, match=r"no answer within 0\.2 s"):
            renderer.render("late apex", tmp_path / "a.wav")
    finally:
        renderer.close()


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("sys.exit(3)", "ended without an answer"),
        ("print('Audio saved', flush=True)", "answered 'Audio saved"),
        ('print(\'{"error": "no tongue"}\', flush=True)', "no tongue"),
    ],
)
def test_a_worker_that_dies_or_talks_nonsense_is_reported(tmp_path: Path, body: str, said: str) -> None:
    """Every way in which the worker can fail is one clear message."""
    renderer = Renderer(160, command=fake(body), phrase_limit_s=5.0)
    try:
        with pytest.raises(OutputError, match=said):
            renderer.render("late apex", tmp_path / "a.wav")
    finally:
        renderer.close()


def test_no_engine_at_all_is_one_line(tmp_path: Path) -> None:
    """A worker that cannot load an engine, or does not exist, gives one line."""
    broken = (sys.executable, "-c", 'print(\'{"error": "nothing installed"}\')')
    with pytest.raises(OutputError, match="no speech engine: nothing installed"):
        Renderer(160, command=broken)
    with pytest.raises(OutputError, match="could not be started"):
        Renderer(160, command=(str(tmp_path / "none"),))
