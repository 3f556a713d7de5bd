"""The child's side of the supervisor: setup on stdin, notes on stdout, and exit with the parent.

stdin carries one line of JSON and closes when the parent stops the child or dies, on every system. On Linux the kernel
also kills a hanging child (PR_SET_PDEATHSIG).
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import TypeVar

import msgspec


@contextlib.contextmanager
def suppressed_stderr() -> Iterator[None]:
    """Suppress stderr of the system's sound and window libraries, which complain if there is nothing to
    open (Linux).
    """
    if not sys.platform.startswith("linux"):
        yield
        return
    sys.stderr.flush()
    kept, void = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    os.dup2(void, 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(void)


ALIVE_S = 1.0
NOT_HERE = 2
"""Exit code of a child that cannot work on this machine: it is not restarted."""

S = TypeVar("S")


class Report(msgspec.Struct, frozen=True, omit_defaults=True):
    """One line from a child: ``kind`` is note, ready, alive, started or painted; ``t_s`` is the monotonic clock."""

    kind: str
    text: str = ""
    t_s: float = 0.0


class Link:
    """A child's link to its parent. ``ended`` is set when the parent stops it, or is gone."""

    def __init__(self) -> None:
        self.ended = threading.Event()
        # reports use their own pipe, so that library output cannot mix with them
        self._out = os.fdopen(os.dup(1), "wb", buffering=0)
        os.dup2(2, 1)
        self._lock = threading.Lock()
        self._alive_due = 0.0
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the parent stops us
        with contextlib.suppress(ValueError, OSError):
            signal.signal(signal.SIGTERM, lambda *_: self.ended.set())
        _die_with_parent()

    def setup(self, kind: type[S]) -> S:
        """Return the first line of stdin as ``kind``; then watch stdin for its end."""
        line = sys.stdin.buffer.readline()
        value = msgspec.json.decode(line, type=kind)
        threading.Thread(target=self._watch, name="parent-watch", daemon=True).start()
        return value

    def _watch(self) -> None:
        # os.read and not the buffered reader: its lock would block the interpreter's exit
        while os.read(0, 4096):
            pass
        self.ended.set()

    def report(self, kind: str, text: str = "") -> None:
        """Send one line to the parent; ignore a missing parent."""
        line = msgspec.json.encode(Report(kind, text, time.monotonic())) + b"\n"
        try:
            with self._lock:
                self._out.write(line)
        except OSError:
            self.ended.set()

    def note(self, text: str) -> None:
        """Send a note for the user."""
        self.report("note", text)

    def alive(self) -> None:
        """Report once a second that the loop still runs; call it in the loop."""
        now = time.monotonic()
        if now >= self._alive_due:
            self._alive_due = now + ALIVE_S
            self.report("alive")


def _die_with_parent() -> None:
    if not sys.platform.startswith("linux"):
        return
    import ctypes

    pr_set_pdeathsig = 1
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(pr_set_pdeathsig, signal.SIGKILL)


def run_child(body: Callable[[Link], int]) -> None:
    """Run ``body`` as the whole process; leave without interpreter shutdown (drivers may hang in it)."""
    link = Link()
    try:
        code = body(link)
    except Exception as error:  # the parent shows it on one line and restarts us
        link.note(f"{type(error).__name__}: {error}")
        code = 1
    sys.stderr.flush()
    os._exit(code)
