"""Chooses the voice of a language: the one its file names, else any voice of that language."""

from __future__ import annotations

from functools import cache

from coach.errors import OutputError
from coach.outputs.voice.renderer import list_voices
from coach.profile.language_file import Catalogue


def voice_for(words: Catalogue) -> str:
    """Return the id of a voice for ``words``, "" for the engine's default; raise OutputError if no voice speaks the
    language.
    """
    if not words.voices:
        return ""
    known = _voices()
    for wanted in (*words.voices, words.language.code):
        for identity, language in known:
            if wanted == identity or wanted == language.partition("-")[0].lower():
                return identity
    raise OutputError(
        f"no voice on this machine speaks {words.name} ({words.language.code}); choose one "
        "from coach doctor --voices with --voice-id, or --no-voice for captions"
    )


@cache
def _voices() -> tuple[tuple[str, str], ...]:
    return tuple((voice["id"], voice["language"]) for voice in list_voices())
