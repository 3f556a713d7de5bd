from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pytest

from coach.errors import OutputError
from coach.outputs.voice import sound
from coach.outputs.voice.bank import PhraseBank, estimate_s, pronounce
from coach.outputs.voice.pieces import PhrasePiece

NO_ENGINE = (sys.executable, "-c", 'print(\'{"error": "nothing installed"}\')')
PHRASES = ["brake later", "late apex", "use the outside kerb"]


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cache that holds the phrases."""
    folder = tmp_path_factory.mktemp("phrases")
    bank = PhraseBank(folder)
    bank.prepare(PHRASES)
    assert "" == bank.problem
    return folder


def test_durations_are_those_of_the_clips(cache: Path) -> None:
    """The length that the arbiter is told is exactly that of the samples to be played."""
    bank = PhraseBank(cache)
    durations = bank.prepare(PHRASES)
    assert list(durations) == PHRASES
    for text, seconds in durations.items():
        clip = bank.clip(text)
        assert clip is not None
        assert seconds == len(clip) / 2 / 48000


def test_a_second_start_comes_from_the_cache_in_under_a_second(cache: Path) -> None:
    """From a filled cache no engine is needed and 300 phrases are there in less than a second."""
    many = [f"{text} {i}" for i in range(100) for text in PHRASES]
    first = PhraseBank(cache)
    for i, text in enumerate(many):  # the same sound under the names of 300 phrases
        first.path(text).write_bytes(first.path(PHRASES[i % 3]).read_bytes())
    bank = PhraseBank(cache, worker=NO_ENGINE)
    started = time.perf_counter()
    durations = bank.prepare(many)
    assert time.perf_counter() - started < 1.0
    assert 300 == len(durations)
    assert "" == bank.problem


def test_a_damaged_clip_is_made_anew(cache: Path) -> None:
    """A clip cut short by a full disk, or with a flipped bit, is noticed and rendered again."""
    bank = PhraseBank(cache)
    seconds = bank.prepare(["late apex"])["late apex"]
    path = bank.path("late apex")
    whole = path.read_bytes()
    for broken in (whole[:1000], b"", b"RIFF", whole[:5000] + bytes([whole[5000] ^ 1]) + whole[5001:]):
        path.write_bytes(broken)
        again = PhraseBank(cache)
        assert seconds == pytest.approx(again.prepare(["late apex"])["late apex"], abs=0.02)
        assert "" == again.problem
        piece = PhrasePiece.read(path)
        assert piece is not None
        assert seconds * 48000 == pytest.approx(len(piece.samples), abs=0.02 * 48000)


def test_without_an_engine_lengths_are_estimated_and_it_is_said(tmp_path: Path) -> None:
    """No engine: captions only, in one line; the arbiter still gets lengths."""
    bank = PhraseBank(tmp_path, worker=NO_ENGINE)
    durations = bank.prepare(PHRASES)
    assert "no speech engine: nothing installed; cues are shown as captions only" == bank.problem
    assert {t: estimate_s(t, 160) for t in PHRASES} == durations
    assert bank.clip("late apex") is None


def test_the_estimate_is_near_the_measured_lengths(cache: Path) -> None:
    """Lengths guessed without an engine are right within 15 % in the mean and within 45 % for each phrase."""
    more = ["caution, crest", "full throttle earlier", "bump, rear goes light", "good", "third gear", *PHRASES]
    ratios = [estimate_s(t, 160) / seconds for t, seconds in PhraseBank(cache).prepare(more).items()]
    assert 1.0 == pytest.approx(sum(ratios) / len(ratios), abs=0.15)
    assert 0.69 < min(ratios) <= max(ratios) < 1.45


def test_a_cache_that_can_not_be_written_costs_only_time(tmp_path: Path) -> None:
    """The clips are there for this run, and the place is named."""
    (tmp_path / "file").write_text("in the way")
    bank = PhraseBank(tmp_path / "file")
    bank.prepare(["late apex"])
    assert bank.clip("late apex") is not None
    assert "cannot be kept" in bank.problem


def test_what_shapes_the_sound_shapes_the_name(tmp_path: Path) -> None:
    """Text, voice, rate and pronunciation each give a file of its own; a word that is not in the text does not."""
    plain = PhraseBank(tmp_path).path("Loch, brake later")
    others = [
        PhraseBank(tmp_path, voice="gmw/en-us").path("Loch, brake later"),
        PhraseBank(tmp_path, rate_wpm=170).path("Loch, brake later"),
        PhraseBank(tmp_path, pronunciations={"Loch": "lock"}).path("Loch, brake later"),
        PhraseBank(tmp_path).path("Loch, brake late"),
    ]
    assert 5 == len({plain, *others})
    assert plain == PhraseBank(tmp_path, pronunciations={"Ouse": "ooze"}).path("Loch, brake later")


def test_progress_is_told_from_nothing_to_all(tmp_path: Path) -> None:
    """A progress bar gets a first call at once, then one a phrase, ending at the total."""
    told: list[tuple[int, int]] = []
    PhraseBank(tmp_path).prepare(["late apex", "late apex", "", "third gear"], lambda i, n: told.append((i, n)))
    assert [(0, 2), (1, 2), (2, 2)] == told


def test_rate_not_allowed() -> None:
    """The bank refuses a rate outside 120 to 200."""
    with pytest.raises(OutputError, match="expected 120 to 200"):
        PhraseBank(rate_wpm=240)


@pytest.mark.parametrize(
    ("text", "overrides", "spoken"),
    [
        ("Loch, brake", {"loch": "lock"}, "lock, brake"),
        ("Lochside", {"Loch": "lock"}, "Lochside"),
        ("Great Ouse bend", {"Ouse": "ooze", "Great Ouse": "great ooze"}, "great ooze bend"),
        ("a b", {"a": "b", "b": "a"}, "b a"),
        ("T1 (fast)", {"T1": "turn one", "": "x"}, "turn one (fast)"),
        ("plain", {}, "plain"),
    ],
)
def test_pronunciations_replace_whole_words_once(text: str, overrides: dict[str, str], spoken: str) -> None:
    """Whole words, any case, the longest first, and nothing twice."""
    assert spoken == pronounce(text, overrides)


def test_trim_keeps_the_sound_and_five_milliseconds() -> None:
    """Of half a second of tone between silences exactly the tone and the pads are left."""
    tone = 0.5 * np.sin(2 * np.pi * 440 * np.arange(24000) / 48000)
    padded = np.concatenate([np.zeros(12100), tone, np.zeros(19000)])
    kept = sound.trim(padded)
    assert 24000 <= len(kept) <= 24000 + 2 * (240 + 240)
    assert np.abs(kept).max() == pytest.approx(0.5, abs=0.001)
    assert 0.0 == kept[0]


def test_trim_drops_what_lies_45_db_down_and_keeps_what_lies_40_down() -> None:
    """The limit is relative to the loudest part: a whisper 40 dB down is speech, noise 50 dB down is not."""
    tone = np.sin(2 * np.pi * 480 * np.arange(9600) / 48000)
    for down_db, kept in ((40, True), (50, False)):
        samples = np.concatenate([tone, 10 ** (-down_db / 20) * tone])
        assert kept == (len(sound.trim(samples)) > 18000)


def test_silence_and_broken_files_are_refused(tmp_path: Path) -> None:
    """No inaudible clip gets into the bank."""
    with pytest.raises(OutputError, match="silence"):
        sound.trim(np.zeros(1000))
    (tmp_path / "x.wav").write_bytes(b"RIFF....")
    with pytest.raises(OutputError, match="not a WAV file"):
        sound.read(tmp_path / "x.wav")
