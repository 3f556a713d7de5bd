"""Texts put together at their commas: as loud as the others, no peak over the limit, each piece rendered once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from coach.outputs.voice import bank, sound

RNG = np.random.default_rng(4)


def voiced(seconds: float, crest: float) -> sound.Samples:
    """A levelled noise that swells and fades, with peaks ``crest`` times as high as the rest."""
    n = round(seconds * sound.RATE_HZ)
    noise = RNG.normal(size=n) * np.hanning(n)
    noise[:: sound.RATE_HZ // 20] *= crest
    return sound.level(noise / np.abs(noise).max())


@pytest.mark.parametrize("crest", [1.0, 6.0])
@pytest.mark.parametrize("first", [0.25, 0.6])
def test_joined_pieces_are_as_loud_as_one(first: float, crest: float) -> None:
    """Whatever the lengths, -18 LUFS within 0.25 LU and -1 dBTP hold for the whole; the pause is in it."""
    one, other = voiced(first, crest), voiced(1.0, crest)
    whole = sound.joined((one, other), 0.15)
    assert len(one) + len(other) + round(0.15 * sound.RATE_HZ) == len(whole)
    assert sound.loudness(whole) == pytest.approx(sound.TARGET_LUFS, abs=0.25)
    assert sound.true_peak_dbtp(whole) <= sound.PEAK_DBTP + 0.01


def test_what_stands_between_commas_is_rendered_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three texts of two names and two advices ask the engine four times, not six; the cache has the three texts."""
    asked: list[str] = []

    class Fake:
        def __init__(self, *_: object) -> None: ...

        def render(self, text: str, path: Path) -> None:
            asked.append(text)
            sound.write(path, voiced(0.5, 1.0))

        def close(self) -> None: ...

    monkeypatch.setattr(bank, "Renderer", Fake)
    texts = ["Weir, brake later", "Weir, more exit", "Quarry, brake later"]
    made = bank.PhraseBank(tmp_path)
    lengths = made.prepare(texts)
    assert ["Weir", "brake later", "more exit", "Quarry"] == asked
    assert 3 == len(list(tmp_path.glob("*.wav")))
    assert lengths == bank.PhraseBank(tmp_path).prepare(texts)
