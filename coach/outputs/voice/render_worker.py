"""The process that turns phrases into WAV files: ``python -m coach.outputs.voice.render_worker --rate 160``.

One line of JSON in, one line out. First line out: ``{"ready": true, "voice": …, "engine": …}`` or
``{"error": …}``. Then for each ``{"text": …, "path": …}``: ``{"path": …, "seconds": …}`` or ``{"error": …}``.
``--list`` prints ``{"voices": [{"id", "name", "language"}]}`` and ends.

The engine is unreliable in a long-lived process, hence: one rate per process, one phrase at a time, wait for the
finished-utterance event, check the file, move it into place atomically, and no interpreter shutdown (it may hang or
abort in the engine). The parent sets the time limit.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
import wave
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from coach.outputs.voice.engine import load_packaged

FINISH_S = 5.0
ESPEAK_HASTE = 1.21  # words per minute heard for each requested from espeak-ng, counted on a read passage


class RenderError(Exception):
    """The engine gave no usable file for a phrase."""


def frames_in(path: Path) -> float:
    """Return the length [s] of a complete mono 16-bit WAV file; raise RenderError otherwise."""
    try:
        with wave.open(str(path), "rb") as wav:
            if (wav.getnchannels(), wav.getsampwidth()) != (1, 2):
                raise RenderError(f"the engine wrote {wav.getnchannels()} channels of {wav.getsampwidth()} bytes")
            count = wav.getnframes()
            if count == 0 or len(wav.readframes(count)) != 2 * count:
                raise RenderError("the engine wrote an empty or short file")
            return count / wav.getframerate()
    except (OSError, EOFError, wave.Error) as error:
        raise RenderError(f"the engine wrote no usable WAV file: {error}") from error


class SpeechEngine:
    """pyttsx3 reduced to what works: save one phrase, wait until it is finished, check it."""

    def __init__(self, rate_wpm: int, voice: str) -> None:
        packaged = load_packaged()
        import pyttsx3

        self._engine: Any = pyttsx3.init()
        self._errors: list[str] = []
        self._finished = False
        self._engine.connect("error", lambda name, exception: self._errors.append(str(exception)))
        self._engine.connect("finished-utterance", self._on_finished)
        if voice:
            known = [str(v.id) for v in self.voices()]
            if voice not in known:
                raise RenderError(f"voice: expected one of {', '.join(sorted(known)[:8])}, ...; found {voice!r}")
            self._engine.setProperty("voice", voice)
        self._settle: Callable[[], object] = lambda: None
        if str(self._engine) == "espeak":
            from pyttsx3.drivers import _espeak

            # pyttsx3 cancels espeak at each loop's end if it is still busy, and a rate not yet taken is lost with it:
            # set the rate directly and wait until espeak is idle, before each phrase too
            self._settle = _espeak.Synchronize
            _espeak.SetParameter(_espeak.RATE, round(rate_wpm / ESPEAK_HASTE), 0)
        else:
            self._engine.setProperty("rate", rate_wpm)
        self.name = f"{self._engine} ({'packaged' if packaged else 'system'})"

    def _on_finished(self, name: str, completed: bool) -> None:
        self._finished = self._finished or completed

    def voices(self) -> list[Any]:
        """Return the engine's voices; each has ``id``, ``name`` and ``languages``."""
        return list(self._engine.getProperty("voices"))

    def save(self, text: str, path: Path) -> float:
        """Render ``text`` to ``path`` and return the length [s]. Raise RenderError without a complete file
        after 5 s.
        """
        if not text.strip():
            raise RenderError("an empty text cannot be spoken")
        part = path.with_name(f"{path.name}.{os.getpid()}.part")
        part.touch()  # the engine ignores an unwritable path
        part.unlink()
        self._errors.clear()
        self._finished = False
        self._settle()
        self._engine.save_to_file(text, str(part))
        self._engine.runAndWait()
        until = time.monotonic() + FINISH_S
        while not (self._finished and part.exists()):
            if self._errors or time.monotonic() > until:
                raise RenderError("; ".join(self._errors) or "the engine did not finish")
            time.sleep(0.005)
        try:
            seconds = frames_in(part)
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)
        return seconds


def serve(engine: SpeechEngine, lines: IO[str], answer: Callable[[dict[str, object]], None]) -> None:
    """Answer each line of JSON until the input ends."""
    for line in lines:
        try:
            order = json.loads(line)
            path = Path(order["path"])
            answer({"path": str(path), "seconds": engine.save(order["text"], path)})
        except (RenderError, OSError, ValueError, KeyError, TypeError) as error:
            answer({"error": f"{error}"})


def main() -> None:
    """Run until the input ends; leave without interpreter shutdown."""
    # pyttsx3 prints on stdout: keep the real one for the answers, discard prints
    out = os.fdopen(os.dup(1), "w", encoding="utf-8", buffering=1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)

    def answer(message: dict[str, object]) -> None:
        print(json.dumps(message), file=out, flush=True)

    parser = argparse.ArgumentParser()
    parser.add_argument("--rate", type=int, default=160)
    parser.add_argument("--voice", default="")
    parser.add_argument("--list", action="store_true")
    options = parser.parse_args()
    code = 0
    try:
        engine = SpeechEngine(options.rate, options.voice)
        if options.list:
            voices = [{"id": v.id, "name": v.name, "language": (v.languages or [""])[0]} for v in engine.voices()]
            answer({"voices": voices})
        else:
            answer({"ready": True, "engine": engine.name, "voice": options.voice})
            serve(engine, sys.stdin, answer)
    except Exception as error:  # any engine exception becomes a message to the parent, not a traceback
        answer({"error": f"{error}" or type(error).__name__})
        code = 1
    os._exit(code)


if __name__ == "__main__":
    main()
