"""Every spoken text with the voice of its language: its length against the time there is, and its numbers."""

from __future__ import annotations

import ctypes
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from coach.app.voice_choice import voice_for
from coach.core.cue.call_words import call_forms, gap_words, lap_words, pieces
from coach.core.track.timing import LONGEST_LEAD_S, ROOM_S
from coach.outputs.voice.bank import PhraseBank, pronounce
from coach.outputs.voice.engine import packaged
from coach.profile.language_file import language_paths, load_language
from coach.profile.rule_files import audit, load_rules, rule_paths
from coach.profile.store import load_plan

NEW_S, REHEARSED_S = 1.25, 0.75
"""A new message and a rehearsed one end this long before their action (Green 2000: unexpected, expected)."""

CALL_S = LONGEST_LEAD_S
"""A call answers nothing and asks for nothing; it has to fit a straight of this length."""
LAP_S = 92.0


@pytest.mark.parametrize("name", sorted(language_paths()))
def test_every_text_fits_the_time_there_is(tmp_path: Path, name: str) -> None:
    """A message is said 4-8 s ahead (Wan, Wu & Zhang 2016, J Safety Research 58:89-98) and ends 1.25 s before.

    A short form, which is the rehearsed one, has to fit where there is just room to speak (ROOM_S). Rendered with the
    language's own espeak-ng voice at 160 words a minute; one corner, so that each piece is rendered once.
    """
    corners = [c for c in load_plan("hollow_ridge").corners if c.boards_m][:1]
    rows = [
        row
        for rule_set in ("first_laps", "improving", "race")
        for row in audit(load_rules(rule_set, name), corners)
    ]  # fmt: skip
    words = load_language(name)
    bank = PhraseBank(tmp_path, voice=voice_for(words), pronunciations=words.pronounce)
    seconds = bank.prepare([row.text for row in rows])
    assert "" == bank.problem
    for row in rows:
        most = ROOM_S - REHEARSED_S if row.form in ("short", "alternative") else LONGEST_LEAD_S - NEW_S
        assert 0.2 < seconds[row.text] <= most, (row, seconds[row.text])


@pytest.mark.parametrize("name", sorted(language_paths()))
def test_every_call_fits_a_straight(tmp_path: Path, name: str) -> None:
    """Lap times, differences, sectors and limits with the language's voice; the shortest form has to fit ROOM_S."""
    language = load_language(name).language
    corner = next(c for c in load_plan("hollow_ridge").corners)
    words = load_language(name)
    bank = PhraseBank(tmp_path, voice=voice_for(words), pronunciations=words.pronounce)
    calls = {rule.name: rule for rule_set in rule_paths() for rule in load_rules(rule_set, name).calls}
    bank.prepare(pieces(calls.values(), [corner], LAP_S, language))
    assert "" == bank.problem
    for rule in calls.values():
        # the longest words of each kind
        values = {
            "lap": lap_words(97.7, LAP_S, language), "brief": lap_words(97.7, LAP_S, language, brief=True),
            "gap": max((gap_words(gap / 10, language) for gap in range(-40, 40)), key=bank.duration_s),
            "count": max(language.counts, key=bank.duration_s), "corner": corner.say or corner.name,
        }  # fmt: skip
        seconds = [bank.duration_s(text) for text in call_forms(rule, values)]
        assert max(seconds, default=0.0) <= CALL_S, (rule.name, seconds)
        assert min(seconds, default=0.0) <= ROOM_S - REHEARSED_S, (rule.name, seconds)


@pytest.mark.parametrize("name", sorted(language_paths()))
def test_the_voice_reads_a_number_word_like_its_digits(name: str) -> None:
    """The engine reads digits by tables of its own: each word, as it is given to the voice, sounds the same.

    espeak-ng 1.52 with its data (https://github.com/espeak-ng/espeak-ng), by ``espeak_TextToPhonemes``.
    """
    words = load_language(name)
    phonemes = phonemes_of(words.language.code)
    for n, word in words.language.numbers:
        assert phonemes(str(n)) == phonemes(pronounce(word, words.pronounce)), (n, word)


def phonemes_of(voice: str) -> Callable[[str], str]:
    """Return the engine's reading of a text in IPA, without stress, vowel length, and d for t at a syllable's end.

    These differ between German words and digits, and are heard as the same number.
    """
    found = packaged()
    if found is None:
        pytest.skip("no packaged speech engine here")
    library, data = found
    engine = ctypes.CDLL(str(library))
    assert engine.espeak_Initialize(0x02, 0, str(data).encode(), 0) > 0  # audio retrieved, not played
    assert 0 == engine.espeak_SetVoiceByName(voice.encode())
    engine.espeak_TextToPhonemes.restype = ctypes.c_char_p
    engine.espeak_TextToPhonemes.argtypes = [ctypes.POINTER(ctypes.c_char_p), ctypes.c_int, ctypes.c_int]

    def read(text: str) -> str:
        at = ctypes.c_char_p(text.encode())
        parts = []
        while at.value is not None:
            parts.append(engine.espeak_TextToPhonemes(ctypes.byref(at), 1, 0x02).decode())  # UTF-8 in, IPA out
        heard = re.sub(r"[ˈˌː\s-]", "", "".join(parts))
        return heard.translate(str.maketrans("ɪɾ", "ir")).replace("nd", "nt")

    return read
