"""The parent's side of the render worker: starts it, limits the time per phrase, and replaces it when it hangs."""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from coach.errors import OutputError

RATES_WPM = (120, 200)
START_LIMIT_S = 20.0
PHRASE_LIMIT_S = 8.0
Progress = Callable[[int, int], None]
WORKER = (sys.executable, "-m", "coach.outputs.voice.render_worker")


class Worker:
    """One worker process; ``ask`` sends a line and waits for the answer up to the time limit."""

    def __init__(self, *options: str, command: tuple[str, ...] = WORKER) -> None:
        try:
            self._process = subprocess.Popen(
                [*command, *options],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
                encoding="utf-8",
            )
        except OSError as error:
            raise OutputError(f"the speech process could not be started: {error}") from error
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._in: IO[str] = self._process.stdin
        self._out: IO[str] = self._process.stdout
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        # a thread reads, since not every system can poll a pipe
        self._reader = threading.Thread(target=self._read, name="voice-render-reader", daemon=True)
        self._reader.start()

    def _read(self) -> None:
        for line in self._out:
            self._lines.put(line)
        self._lines.put("")

    def ask(self, order: dict[str, str] | None, limit_s: float) -> dict[str, Any]:
        """Send ``order`` (None: only listen) and return the answer; raise OutputError on silence, exit or nonsense."""
        try:
            if order is not None:
                self._in.write(json.dumps(order) + "\n")
                self._in.flush()
            line = self._lines.get(timeout=limit_s)
        except queue.Empty:
            raise OutputError(f"the speech engine gave no answer within {limit_s:g} s") from None
        except OSError as error:
            raise OutputError(f"the speech process ended: {error}") from error
        if not line:
            raise OutputError("the speech process ended without an answer")
        try:
            answer = json.loads(line)
        except ValueError as error:
            raise OutputError(f"the speech process answered {line[:60]!r}") from error
        return answer if isinstance(answer, dict) else {}

    def close(self) -> None:
        """Stop the process; kill it if it does not exit at once."""
        try:
            self._in.close()
            self._process.wait(timeout=0.5)
        except (subprocess.TimeoutExpired, OSError):
            self._process.kill()
            self._process.wait()
        self._reader.join(timeout=1.0)
        self._out.close()


class Renderer:
    """Renders phrases at one rate and voice. A worker that hangs or dies is replaced once per phrase.

    The constructor raises OutputError without an engine or for an unknown voice.
    """

    def __init__(
        self,
        rate_wpm: int,
        voice: str = "",
        command: tuple[str, ...] = WORKER,
        phrase_limit_s: float = PHRASE_LIMIT_S,
    ) -> None:
        low, high = RATES_WPM
        if not low <= rate_wpm <= high:
            raise OutputError(f"speech rate: expected {low} to {high} words a minute, found {rate_wpm}")
        self._options = ("--rate", str(rate_wpm), "--voice", voice)
        self._command = command
        self._phrase_limit_s = phrase_limit_s
        self._worker: Worker | None = None
        self._start()

    def _start(self) -> Worker:
        worker = Worker(*self._options, command=self._command)
        try:
            hello = worker.ask(None, START_LIMIT_S)
        except OutputError:
            worker.close()
            raise
        if not hello.get("ready"):
            worker.close()
            raise OutputError(f"no speech engine: {hello.get('error', 'it did not start')}")
        self._worker = worker
        return worker

    def render(self, text: str, path: Path) -> None:
        """Write ``text`` as a checked WAV file to ``path``; raise OutputError on failure."""
        for attempt in (1, 2):
            worker = self._worker or self._start()
            try:
                answer = worker.ask({"text": text, "path": str(path)}, self._phrase_limit_s)
            except OutputError:
                worker.close()
                self._worker = None
                if attempt == 2:
                    raise
                continue
            if "error" in answer:
                raise OutputError(f"{text!r} could not be spoken: {answer['error']}")
            return

    def close(self) -> None:
        """Stop the worker."""
        if self._worker is not None:
            self._worker.close()
            self._worker = None


def list_voices(command: tuple[str, ...] = WORKER) -> list[dict[str, str]]:
    """Return the engine's voices, each with ``id``, ``name`` and ``language``; raise OutputError without an engine."""
    worker = Worker("--list", command=command)
    try:
        answer = worker.ask(None, START_LIMIT_S)
    finally:
        worker.close()
    if "voices" not in answer:
        raise OutputError(f"no speech engine: {answer.get('error', 'it did not start')}")
    return [{key: str(v.get(key, "")) for key in ("id", "name", "language")} for v in answer["voices"]]
