"""The phrase bank: renders, trims, levels and caches all phrases in advance, so their durations are known.

It renders and caches the pieces of a text; speaking joins them.
"""

from __future__ import annotations

import hashlib
import itertools
import re
import tempfile
import threading
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import platformdirs

from coach.core.cue.spoken_pieces import pauses, split
from coach.errors import OutputError
from coach.outputs.voice import sound
from coach.outputs.voice.engine import engine_version
from coach.outputs.voice.pieces import PhrasePiece, joined, length
from coach.outputs.voice.renderer import RATES_WPM, WORKER, Progress, Renderer

TRIES = 3
LEVELLERS = 1
FORMAT = "7"  # incremented when rendering, trimming or levelling changes, to discard old clips
LETTER_S = 12.0  # seconds a letter at one word a minute, from measured clips
COMMA_LETTERS = 4  # a comma takes as long as about four letters


def default_cache_dir() -> Path:
    """Return the clip cache of this machine."""
    return Path(platformdirs.user_cache_dir("corner-coach")) / "phrases"


def estimate_s(text: str, rate_wpm: int) -> float:
    """Estimate how long ``text`` takes to say or to read as a caption [s], without a clip."""
    return (len(text) + 2 + COMMA_LETTERS * text.count(",")) * LETTER_S / rate_wpm


class PhraseBank:
    """Clips by text for one voice and rate (120-200 words per minute).

    ``problem`` is empty, or one line on why phrases can only be shown. ``pronunciations`` maps written words to spoken
    ones. ``mark`` adds a short soft tone before each clip (included in its length). The constructor raises OutputError
    for an invalid rate. Thread-safe.
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
            raise OutputError(
                f"speech rate: expected {RATES_WPM[0]} to {RATES_WPM[1]} words a minute, found {rate_wpm}"
            )
        self.voice = voice
        self.rate_wpm = rate_wpm
        self.problem = ""
        self._folder = cache_dir or default_cache_dir()
        self._pronunciations = dict(pronunciations or {})
        self._worker = worker
        self._lead = sound.pcm(sound.onset_mark()) if mark else b""
        self._engine = engine_version()
        self._pieces: dict[str, PhrasePiece] = {}
        self._lock = threading.Lock()

    def path(self, piece: str) -> Path:
        """Return the cache file of a piece; its name is a digest of everything that shapes the sound."""
        parts = (FORMAT, pronounce(piece, self._pronunciations), self.voice, str(self.rate_wpm), self._engine)
        digest = hashlib.sha256("\0".join(parts).encode()).hexdigest()
        return self._folder / f"{digest[:32]}.piece"

    def clip(self, text: str) -> bytes | None:
        """Return 16-bit mono samples at 48 kHz, or None if ``text`` was not prepared. Takes less than a millisecond."""
        pieces = self._of(text)
        return None if pieces is None else self._lead + joined(pieces, pauses(text))

    def duration_s(self, text: str) -> float:
        """Return the length of the clip [s], or an estimate."""
        pieces = self._of(text)
        if pieces is None:
            return estimate_s(text, self.rate_wpm)
        return (len(self._lead) // 2 + length(pieces, pauses(text))) / sound.RATE_HZ

    def prepare(self, texts: Iterable[str], progress: Progress | None = None) -> dict[str, float]:
        """Load or render all clips the texts need; return lengths [s] by text.

        ``progress(done, of)`` is called after each piece. Never raises for a missing engine, an unrenderable phrase or
        an unwritable cache: ``problem`` reports it, and lengths become estimates.
        """
        wanted = list(dict.fromkeys(t for t in texts if t.strip()))
        pieces = list(dict.fromkeys(piece for text in wanted for piece in split(text)))
        with self._lock:
            missing = [p for p in pieces if p not in self._pieces and not self._from_cache(p)]
            done = len(pieces) - len(missing)
            if progress is not None:
                progress(done, len(pieces))
            if missing:
                count = itertools.count(done + 1)
                trouble = self._render(missing, lambda: progress and progress(next(count), len(pieces)))
                if trouble:
                    lost = sum(self._of(text) is None for text in wanted)
                    self.problem = f"{lost} of {len(wanted)} phrases are captions only; the first: {trouble}"
        return {t: self.duration_s(t) for t in wanted}

    def _of(self, text: str) -> list[PhrasePiece] | None:
        found = [self._pieces.get(piece) for piece in split(text)]
        pieces = [piece for piece in found if piece is not None]
        return pieces if pieces and len(pieces) == len(found) else None

    def _from_cache(self, text: str) -> bool:
        piece = PhrasePiece.read(self.path(text))
        if piece is not None:
            self._pieces[text] = piece
        return piece is not None

    def _render(self, texts: list[str], step: Callable[[], object]) -> str:
        """Render and store pieces; return the first failure."""
        try:
            renderer = Renderer(self.rate_wpm, self.voice, self._worker)
        except OutputError as error:
            self.problem = f"{error}; cues are shown as captions only"
            return ""
        failed: dict[str, str] = dict.fromkeys(texts, "")
        try:
            # on a busy machine the engine sometimes leaves a file unfinished: retry such a piece
            for _ in range(TRIES):
                failed = self._render_each(renderer, list(failed), step)
        finally:
            renderer.close()
        for _ in failed:
            step()
        return next(iter(failed.values()), "")

    def _render_each(self, renderer: Renderer, texts: list[str], step: Callable[[], object]) -> dict[str, str]:
        """Render each once; return failures with reasons. Level finished pieces while the engine renders the next."""
        failed: dict[str, str] = {}
        with tempfile.TemporaryDirectory(prefix="coach-voice-") as folder, ThreadPoolExecutor(LEVELLERS) as pool:
            jobs = {}
            for i, text in enumerate(texts):
                raw = Path(folder) / f"{i}.wav"
                try:
                    renderer.render(pronounce(text, self._pronunciations), raw)
                except OutputError as error:
                    failed[text] = str(error)
                else:
                    jobs[text] = pool.submit(self._keep, text, raw, step)
            for text, job in jobs.items():
                try:
                    job.result()
                except OutputError as error:
                    failed[text] = str(error)
        return failed

    def _keep(self, text: str, raw: Path, step: Callable[[], object]) -> None:
        piece = self._pieces[text] = PhrasePiece.of(sound.trim(sound.read(raw)))
        path = self.path(text)
        try:
            piece.write(path)
        except OSError as error:
            self.problem = f"phrases cannot be kept in {path.parent}: {error.strerror or error}"
        step()


def pronounce(text: str, overrides: Mapping[str, str]) -> str:
    """Return ``text`` with each key of ``overrides`` replaced where it stands as whole words, ignoring case.

    The longest matching key wins; replacements are not processed again.
    """
    keys = sorted((k for k in overrides if k.strip()), key=len, reverse=True)
    if not keys:
        return text
    pattern = re.compile(r"(?<!\w)(?:" + "|".join(re.escape(k) for k in keys) + r")(?!\w)", re.IGNORECASE)
    spoken = {k.casefold(): v for k, v in overrides.items()}
    return pattern.sub(lambda m: spoken[m.group(0).casefold()], text)
