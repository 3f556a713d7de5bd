"""The phrase bank: every text rendered beforehand, trimmed, levelled and kept, so that its length is known."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
import threading
import wave
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

import platformdirs

from coach.errors import OutputError
from coach.outputs.voice import sound
from coach.outputs.voice.engine import engine_version
from coach.outputs.voice.pronounce import pronounce
from coach.outputs.voice.renderer import RATES_WPM, WORKER, Progress, Renderer

TRIES = 3
FORMAT = "5"  # goes up when trimming or levelling changes, so that old clips are made anew
LETTER_S = 12.0  # seconds a letter at one word a minute, from measured clips
PAUSE_S = 0.15
"""Silence at a comma. Texts are put together from what stands between commas: "Quarry, brake later" and a few hundred
others need each name and each advice rendered once."""
COMMA_LETTERS = 4  # a comma takes as long as about four letters


def default_cache_dir() -> Path:
    """Where clips are kept on this machine."""
    return Path(platformdirs.user_cache_dir("corner-coach")) / "phrases"


def estimate_s(text: str, rate_wpm: int) -> float:
    """About how long ``text`` takes to say or to read as a caption [s], when there is no clip to measure."""
    return (len(text) + 2 + COMMA_LETTERS * text.count(",")) * LETTER_S / rate_wpm


class PhraseBank:
    """Clips by text for one voice and rate (120-200 words per minute).

    ``problem`` is empty, or says in one line why phrases can only be shown. ``pronunciations`` gives words as
    they are to be spoken in place of how they are written. ``mark`` puts a short soft tone before each clip (its
    time is part of the length). OutputError from the constructor: rate not allowed. Safe to use from several
    threads.
    """

    def __init__(
        self,
        cache_dir: Path | None = None,
        voice: str = "",
        rate_wpm: int = 160,
        pronunciations: Mapping[str, str] | None = None,
        worker: tuple[str, ...] = WORKER,
        mark: bool = False,
    ) -> None:
        if not RATES_WPM[0] <= rate_wpm <= RATES_WPM[1]:
            raise OutputError(f"speech rate {rate_wpm} words per minute: allowed is {RATES_WPM[0]} to {RATES_WPM[1]}")
        self.voice = voice
        self.rate_wpm = rate_wpm
        self.problem = ""
        self._folder = cache_dir or default_cache_dir()
        self._pronunciations = dict(pronunciations or {})
        self._worker = worker
        self._lead = sound.pcm(sound.onset_mark()) if mark else b""
        self._engine = engine_version()
        self._clips: dict[str, bytes] = {}
        self._pieces: dict[str, sound.Samples] = {}
        self._lock = threading.Lock()

    def path(self, text: str) -> Path:
        """The cache file of ``text``; its name is a digest of all that shapes the sound."""
        parts = (FORMAT, pronounce(text, self._pronunciations), self.voice, str(self.rate_wpm), self._engine)
        digest = hashlib.sha256("\0".join(parts).encode()).hexdigest()
        return self._folder / f"{digest[:32]}.wav"

    def clip(self, text: str) -> bytes | None:
        """16-bit mono samples at 48 kHz, or None when ``text`` was not prepared."""
        return self._clips.get(text)

    def duration_s(self, text: str) -> float:
        """Length of the clip [s]; an estimate when there is none."""
        clip = self._clips.get(text)
        return estimate_s(text, self.rate_wpm) if clip is None else len(clip) / (2 * sound.RATE_HZ)

    def prepare(self, texts: Iterable[str], progress: Progress | None = None) -> dict[str, float]:
        """Have a clip for each text, from the cache or rendered now; the lengths [s] by text.

        ``progress(done, of)`` is called after each phrase. Never raises for a missing engine, a phrase that
        will not render, or a cache that can not be written: ``problem`` says so, lengths are then estimates.
        """
        wanted = list(dict.fromkeys(t for t in texts if t.strip()))
        with self._lock:
            missing = [t for t in wanted if t not in self._clips and not self._from_cache(t)]
            done = len(wanted) - len(missing)
            if progress is not None:
                progress(done, len(wanted))
            if missing:
                self._render(missing, lambda i: progress and progress(done + i, len(wanted)))
        return {t: self.duration_s(t) for t in wanted}

    def _from_cache(self, text: str) -> bool:
        try:
            with wave.open(str(self.path(text)), "rb") as wav:
                count = wav.getnframes()
                data = wav.readframes(count)
                sane = (wav.getnchannels(), wav.getsampwidth(), wav.getframerate()) == (1, 2, sound.RATE_HZ)
        except (OSError, EOFError, wave.Error):
            return False
        if not sane or count == 0 or len(data) != 2 * count:
            return False
        self._clips[text] = self._lead + data
        return True

    def _render(self, texts: list[str], step: Callable[[int], object]) -> None:
        try:
            renderer = Renderer(self.rate_wpm, self.voice, self._worker)
        except OutputError as error:
            self.problem = f"{error}; cues are shown as captions only"
            return
        failed: list[str] = []
        try:
            with tempfile.TemporaryDirectory(prefix="coach-voice-") as folder:
                for i, text in enumerate(texts, 1):
                    trouble = self._render_patiently(renderer, text, Path(folder) / "clip.wav")
                    if trouble:
                        failed.append(trouble)
                    step(i)
        finally:
            renderer.close()
            self._pieces.clear()
        if failed:
            self.problem = f"{len(failed)} of {len(texts)} phrases are captions only; the first: {failed[0]}"

    def _render_patiently(self, renderer: Renderer, text: str, raw: Path) -> str:
        """Render, and again if the engine failed: on a busy machine it now and then leaves a file unfinished."""
        trouble = ""
        for _ in range(TRIES):
            try:
                self._render_one(renderer, text, raw)
            except OutputError as error:
                trouble = str(error)
            else:
                return ""
        return trouble

    def _piece(self, renderer: Renderer, text: str, raw: Path) -> sound.Samples:
        """What stands between two commas, rendered once."""
        if text not in self._pieces:
            renderer.render(pronounce(text, self._pronunciations), raw)
            self._pieces[text] = sound.level(sound.trim(sound.read(raw)))
        return self._pieces[text]

    def _render_one(self, renderer: Renderer, text: str, raw: Path) -> None:
        pieces = [self._piece(renderer, piece, raw) for piece in text.split(", ")]
        samples = sound.joined(pieces, PAUSE_S) if len(pieces) > 1 else pieces[0]
        self._clips[text] = self._lead + sound.pcm(samples)
        path = self.path(text)
        part = path.with_name(f"{path.stem}.{os.getpid()}.part")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            sound.write(part, samples)
            os.replace(part, path)
        except OSError as error:
            with contextlib.suppress(OSError):
                part.unlink()
            self.problem = f"phrases can not be kept in {path.parent}: {error.strerror or error}"
