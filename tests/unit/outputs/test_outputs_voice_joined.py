"""Texts put together at their commas: as loud as the others, no peak over the limit, each piece rendered once."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
from scipy.signal import resample

from coach.core.cue.spoken_pieces import COMMA_S, JOINT_S
from coach.outputs.voice import bank, loudness, pieces, sound

RNG = np.random.default_rng(4)
METER = pyloudnorm.Meter(sound.RATE_HZ, "DeMan")  # its filters as the standard has them


def voiced(seconds: float, crest: float) -> sound.Samples:
    """A noise that swells and fades, with peaks ``crest`` times as high as the rest."""
    n = round(seconds * sound.RATE_HZ)
    noise = RNG.normal(size=n) * np.hanning(n)
    noise[:: sound.RATE_HZ // 20] *= crest
    limited: sound.Samples = resample(noise[::2], n)  # a speech engine gives nothing above half its 22 or 24 kHz
    limited *= 0.5 / np.abs(limited).max()
    return limited


def heard(clip: bytes) -> sound.Samples:
    return np.frombuffer(clip, "<i2") / 32768.0


def lufs(samples: sound.Samples) -> float:
    """Measured by pyloudnorm; one block needs 0.4 s."""
    return float(METER.integrated_loudness(np.pad(samples, (0, max(0, 19200 - len(samples))))))


def dbtp(samples: sound.Samples) -> float:
    """True peak with a band-limited (Fourier) interpolation by 16."""
    padded = np.pad(samples, 256)
    return float(20 * np.log10(np.abs(resample(padded, 16 * len(padded))).max()))


@pytest.mark.parametrize("crest", [1.0, 6.0])
@pytest.mark.parametrize("first", [0.25, 0.6])
@pytest.mark.parametrize("pause", [COMMA_S, JOINT_S])
def test_joined_pieces_are_as_loud_as_one(first: float, crest: float, pause: float) -> None:
    """Whatever the lengths, -18 LUFS within 0.25 LU and -1 dBTP hold for the whole; the pause is in it."""
    parts = [pieces.PhrasePiece.of(voiced(seconds, crest)) for seconds in (first, 1.0)]
    clip = pieces.joined(parts, [pause])
    assert pieces.length(parts, [pause]) == len(clip) // 2
    assert pieces.length(parts, [pause]) / sound.RATE_HZ == pytest.approx(first + pause + 1.0)
    assert lufs(heard(clip)) == pytest.approx(loudness.TARGET_LUFS, abs=0.25)
    assert dbtp(heard(clip)) <= loudness.PEAK_DBTP + 0.05
    assert lufs(heard(pieces.joined(parts[1:], []))) == pytest.approx(loudness.TARGET_LUFS, abs=0.05)


def test_loudness_from_the_cells_of_pieces_is_that_of_the_whole() -> None:
    """Nothing is measured again: the cells of three pieces give the loudness that pyloudnorm finds in the sound."""
    parts = [pieces.PhrasePiece.of(voiced(seconds, 2.0)) for seconds in (0.31, 0.98, 0.52)]
    energy = np.concatenate([part.energy for part in parts])[: pieces.length(parts, 2 * [COMMA_S]) // loudness.CELL]
    pause = np.zeros(pieces.PAUSE_CELLS * loudness.CELL)
    whole = np.concatenate([x for part in parts for x in (pause, part.samples / 32768.0)][1:])
    assert lufs(whole) == pytest.approx(loudness.loudness(energy), abs=0.001)


def test_a_gain_is_never_above_one() -> None:
    """Pieces that come out too quiet together stay so: louder, their peaks could pass the limit."""
    assert 1.0 == loudness.gain_of(np.full(100, 1e-6))
    assert 0.0 < loudness.gain_of(np.full(100, 480.0)) < 1.0


def test_what_stands_between_commas_is_rendered_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three texts of two names and two advices ask the engine four times, not six; the cache has the four."""
    asked: list[str] = []

    class Fake:
        def __init__(self, *_: object) -> None: ...

        def render(self, text: str, path: Path) -> None:
            asked.append(text)
            write(path, voiced(0.5, 1.0))

        def close(self) -> None: ...

    monkeypatch.setattr(bank, "Renderer", Fake)
    texts = ["Weir, brake later", "Weir, more exit", "Quarry, brake later"]
    made = bank.PhraseBank(tmp_path)
    lengths = made.prepare(texts)
    assert ["Weir", "brake later", "more exit", "Quarry"] == asked
    assert sorted(made.path(piece).name for piece in asked) == sorted(p.name for p in tmp_path.iterdir())
    again = bank.PhraseBank(tmp_path)
    assert lengths == again.prepare(texts)
    assert [made.clip(text) for text in texts] == [again.clip(text) for text in texts]
    assert 4 == len(asked)
    assert again.clip("Weir, late apex") is None, "a text that lacks a piece has no clip"


def test_a_piece_left_unfinished_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A failed piece is rendered again; one that always fails leaves captions, reported with number and reason."""
    asked: dict[str, int] = {}

    class Fake:
        def __init__(self, *_: object) -> None: ...

        def render(self, text: str, path: Path) -> None:
            asked[text] = asked.get(text, 0) + 1
            if (text == "Weir" and asked[text] == 1) or text == "more exit":
                path.write_bytes(b"RIFF")
            else:
                write(path, voiced(0.5, 1.0))

        def close(self) -> None: ...

    monkeypatch.setattr(bank, "Renderer", Fake)
    made = bank.PhraseBank(tmp_path)
    told: list[tuple[int, int]] = []
    made.prepare(["Weir, brake later", "Weir, more exit"], lambda i, n: told.append((i, n)))
    assert {"Weir": 2, "brake later": 1, "more exit": 3} == asked
    assert made.clip("Weir, brake later") is not None
    assert made.clip("Weir, more exit") is None
    assert made.problem.startswith("1 of 2 phrases are captions only; the first: ")
    assert [(0, 3), (1, 3), (2, 3), (3, 3)] == told


def write(path: Path, samples: sound.Samples) -> None:
    """As the speech engine does."""
    with wave.open(str(path), "wb") as wav:
        wav.setnchannels(1)
        wav.setsampwidth(2)
        wav.setframerate(sound.RATE_HZ)
        wav.writeframes(sound.pcm(samples))
