"""Spoken cues against EBU R128 / ITU-R BS.1770 and the speech rates of in-vehicle studies."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray
from scipy.signal import resample, resample_poly

from coach.outputs.voice.bank import PhraseBank
from coach.profile.rule_files import load_rules, phrases
from coach.profile.store import load_plan

PHRASES = [
    "good",
    "left",
    "brake later",
    "late apex",
    "caution, crest",
    "use the outside kerb",
    "full throttle earlier",
    "bump, rear goes light",
    "turn three, brake at the hundred, second gear, late apex",
]
# beginning of the Rainbow Passage (Fairbanks 1960, Voice and Articulation Drillbook; wording from memory),
# the text on which speech rates are commonly counted
PASSAGE = (
    "When the sunlight strikes raindrops in the air, they act as a prism and form a rainbow. "
    "The rainbow is a division of white light into many beautiful colors. "
    "These take the shape of a long round arch, with its path high above, "
    "and its two ends apparently beyond the horizon."
)


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> dict[str, NDArray[np.float64]]:
    bank = PhraseBank(tmp_path_factory.mktemp("phrases"))
    bank.prepare(PHRASES)
    assert "" == bank.problem
    return {t: np.frombuffer(bank.clip(t) or b"", "<i2") / 32768.0 for t in PHRASES}


def test_all_clips_are_equally_loud(clips: dict[str, NDArray[np.float64]]) -> None:
    """EBU R128 / ITU-R BS.1770, measured with pyloudnorm on the 16-bit samples: all within 0.5 LU."""
    meter = pyloudnorm.Meter(48000)
    loudness = []
    for samples in clips.values():
        padded = np.concatenate([samples, np.zeros(max(0, math.ceil(0.4 * 48000) - len(samples)))])
        loudness.append(float(meter.integrated_loudness(padded)))
    assert max(loudness) - min(loudness) <= 0.5
    assert max(loudness) < -10, "a level that can be mixed, not clipping"


def test_true_peaks_stay_under_the_limit(clips: dict[str, NDArray[np.float64]]) -> None:
    """EBU R128: true peak at most -1 dBTP, here with a band-limited (Fourier) interpolation by 16."""
    for text, samples in clips.items():
        padded = np.concatenate([np.zeros(256), samples, np.zeros(256)])
        peak = float(np.abs(resample(padded, 16 * len(padded))).max())
        assert 20 * math.log10(peak) <= -1.0 + 0.05, text


def test_no_shipped_phrase_is_louder_or_quieter(tmp_path: Path) -> None:
    """EBU R128: all that the shipped rules can say at the shipped circuit has -18 LUFS within 0.1 LU and -1 dBTP.

    Pieces are levelled once and put together without being measured again. Every 24th phrase is measured here as it is
    heard, with pyloudnorm and with a 16-fold oversampled wave.
    """
    plan = load_plan("hollow_ridge")
    texts = list(phrases(load_rules("improving"), plan.corners))
    bank = PhraseBank(tmp_path)
    bank.prepare(texts)
    assert "" == bank.problem
    meter = pyloudnorm.Meter(48000)
    for text in texts[::24]:
        samples = np.frombuffer(bank.clip(text) or b"", "<i2") / 32768.0
        padded = np.pad(samples, (0, max(0, math.ceil(0.4 * 48000) - len(samples))))
        assert -18.0 == pytest.approx(meter.integrated_loudness(padded), abs=0.1), text
        assert 20 * math.log10(np.abs(resample_poly(samples, 16, 1)).max()) <= -1.0 + 0.01, text


@pytest.mark.parametrize("rate", [120, 160, 200])
def test_the_rate_asked_for_is_the_rate_heard(tmp_path: Path, rate: int) -> None:
    """Tsimhoni, Green & Lai 2001: 135-169 words a minute in in-vehicle studies; default 160, 120-200 allowed.

    Counted on the Rainbow Passage, within 5 % of the requested rate.
    """
    bank = PhraseBank(tmp_path, rate_wpm=rate)
    seconds = bank.prepare([PASSAGE])[PASSAGE]
    assert "" == bank.problem
    heard = len(PASSAGE.split()) / seconds * 60
    assert rate == pytest.approx(heard, rel=0.05)
    if rate == 160:
        assert 135 <= heard <= 169
