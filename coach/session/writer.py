"""Writes a session on its own thread: the engine hands values over and never waits for the disk.

Every value reaches the system within ``FLUSH_S``, so a killed process loses less than a second. If the disk is full or
slow, lost values are counted and reported once; the run continues.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, BinaryIO, Final

import msgspec
import numpy as np

from coach.core.columns import Columns, Floats
from coach.core.values import Decision, LapDone, Mark
from coach.errors import SessionError
from coach.session.header import DECISIONS_FILE, EVENTS_FILE, Header, write_header
from coach.session.log import decision_line
from feeds.frame_stream import FRAME_FILE, FrameStreamWriter

FLUSH_S: Final = 0.5
MAX_WAITING_FRAMES: Final = 100_000
"""About 13 MB: some minutes of frames at any common rate."""
MAX_WAITING_LINES: Final = 50_000


class WriterStatus(msgspec.Struct, frozen=True):
    """Stored and lost frames and lines, and the first problem (empty: none)."""

    frames: int
    lines: int
    lost_frames: int
    lost_lines: int
    trouble: str


class SessionWriter:
    """Creates the session folder ``folder`` (without a session in it) and writes to it.

    ``copies`` are files to store with the session: name in the folder -> file to copy or its content. The constructor
    raises SessionError if the folder cannot be created; afterwards nothing raises. The writing thread calls
    ``on_trouble`` once, with a line for the user.
    """

    def __init__(
        self,
        folder: Path,
        header: Header,
        copies: Mapping[str, Path | bytes] | None = None,
        on_trouble: Callable[[str], None] | None = None,
    ) -> None:
        self.folder = folder
        self.header = header
        self._on_trouble = on_trouble
        self._trouble = ""
        self._frames, self._lines = 0, 0
        self._lost_frames, self._lost_lines = 0, 0
        self._waiting_frames: deque[Floats] = deque()
        self._n_waiting = 0
        self._waiting_lines: deque[tuple[str, bytes]] = deque()
        # frames take the lock itself many times a second: entering the condition is slower
        self._lock = threading.Lock()
        self._wake = threading.Condition(self._lock)
        self._closing = False
        self._header_due = False
        self._files: dict[str, BinaryIO] = {}
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for name, source in (copies or {}).items():
                (folder / name).write_bytes(source if isinstance(source, bytes) else source.read_bytes())
            self._stream = FrameStreamWriter(folder / FRAME_FILE)
        except FileExistsError as error:
            raise SessionError(str(folder), "holds a session already; choose a new folder") from error
        except OSError as error:
            raise SessionError(str(folder), f"the session cannot be recorded here ({error.strerror})") from error
        try:
            write_header(folder, header)
            for name in (DECISIONS_FILE, EVENTS_FILE):
                self._files[name] = open(folder / name, "ab", buffering=0)  # noqa: SIM115 - closed by the thread
        except OSError as error:
            self._shut()
            raise SessionError(str(folder), f"the session cannot be recorded here ({error.strerror})") from error
        # a daemon, so that the record does not keep a crashed engine alive
        self._thread = threading.Thread(target=self._run, name="session-writer", daemon=True)
        self._thread.start()

    def frames(self, columns: Columns) -> None:
        """Record a chunk of frames."""
        # a copy: the chunk may be a view of a reused buffer
        data = columns.data.copy()
        n = data.shape[1]
        with self._lock:
            if self._closing or self._n_waiting + n > MAX_WAITING_FRAMES:
                self._lost_frames += n
                return
            self._waiting_frames.append(data)
            self._n_waiting += n

    def decision(self, decision: Decision) -> None:
        """Record a decision."""
        self._put(DECISIONS_FILE, decision_line(decision).encode())

    def lap(self, lap: LapDone) -> None:
        """Record a finished lap."""
        self._put(EVENTS_FILE, msgspec.json.encode({"kind": "lap", **msgspec.structs.asdict(lap)}))

    def mark(self, mark: Mark) -> None:
        """Record a driver's mark."""
        self._put(EVENTS_FILE, msgspec.json.encode({"kind": "mark", **msgspec.structs.asdict(mark)}))

    def event(self, kind: str, t_s: float, **values: str | float | bool | None) -> None:
        """Record any other event at session time ``t_s`` [s]."""
        self._put(EVENTS_FILE, msgspec.json.encode({"kind": kind, "t_s": t_s, **values}))

    def update_header(self, **changes: Any) -> None:
        """Update header fields known later, such as the feed's channels."""
        with self._wake:
            self.header = msgspec.structs.replace(self.header, **changes)
            self._header_due = True

    def status(self) -> WriterStatus:
        """Return stored and lost data so far."""
        with self._wake:
            return WriterStatus(self._frames, self._lines, self._lost_frames, self._lost_lines, self._trouble)

    def close(self, counters: Mapping[str, int] | None = None, timeout_s: float = 10.0) -> WriterStatus:
        """Write pending data, mark the session as ended and close the files; may be called twice."""
        with self._wake:
            if not self._closing:
                self.header = msgspec.structs.replace(self.header, ended=True, counters=dict(counters or {}))
                self._header_due = True
            self._closing = True
            self._wake.notify()
        self._thread.join(timeout_s)
        return self.status()

    def _put(self, name: str, line: bytes) -> None:
        with self._wake:
            if self._closing or len(self._waiting_lines) >= MAX_WAITING_LINES:
                self._lost_lines += 1
                return
            self._waiting_lines.append((name, line + b"\n"))

    def _run(self) -> None:
        closing = False
        while not closing:
            with self._wake:
                self._wake.wait_for(lambda: self._closing, timeout=FLUSH_S)
                closing = self._closing
                chunks = list(self._waiting_frames)
                lines = list(self._waiting_lines)
                header = self.header if self._header_due else None
                self._waiting_frames.clear()
                self._waiting_lines.clear()
                self._n_waiting = 0
                self._header_due = False
            self._store(chunks, lines, header)
        try:
            self._shut()
        except OSError as error:
            self._say(error)

    def _store(self, chunks: list[Floats], lines: list[tuple[str, bytes]], header: Header | None) -> None:
        if chunks:
            data = np.concatenate(chunks, axis=1)
            kept = self._try(lambda: self._stream.write(data))
            with self._wake:
                self._frames += data.shape[1] if kept else 0
                self._lost_frames += 0 if kept else data.shape[1]
        for name in self._files:
            mine = [line for file, line in lines if file == name]
            if mine:
                kept = self._try(lambda name=name, mine=mine: self._append(name, b"".join(mine)))  # type: ignore[misc]
                with self._wake:
                    self._lines += len(mine) if kept else 0
                    self._lost_lines += 0 if kept else len(mine)
        if header is not None and not self._try(lambda: write_header(self.folder, header)):
            with self._wake:
                self._header_due = True

    def _append(self, name: str, data: bytes) -> None:
        file = self._files[name]
        start = os.fstat(file.fileno()).st_size
        try:
            view = memoryview(data)
            while view:
                view = view[file.write(view) or 0 :]
        except OSError:
            os.ftruncate(file.fileno(), start)  # whole lines or none
            raise

    def _try(self, action: Callable[[], None]) -> bool:
        try:
            action()
        except OSError as error:
            self._say(error)
            return False
        return True

    def _say(self, error: OSError) -> None:
        with self._wake:
            first, self._trouble = not self._trouble, self._trouble or (error.strerror or str(error))
        if first and self._on_trouble is not None:
            self._on_trouble(f"{self.folder}: part of the session is not recorded ({self._trouble}); the run continues")

    def _shut(self) -> None:
        for file in self._files.values():
            file.close()
        self._stream.close()
