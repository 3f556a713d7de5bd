"""The child's side of the supervisor: its setup on stdin, its notes on stdout, and its end when the parent ends.

stdin gives one line of JSON and then nothing more until the parent wants the child to go, or dies: both close the
pipe, on every system. On Linux the kernel ends a child that hangs as well (PR_SET_PDEATHSIG).
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from typing import TypeVar

import msgspec

ALIVE_S = 1.0
NOT_HERE = 2
"""Exit code of a child that can not work on this machine: it is not started again."""

S = TypeVar("S")


class Report(msgspec.Struct, frozen=True, omit_defaults=True):
    """One line from a child: ``kind`` is note, ready, alive, started or painted; ``t_s`` is the monotonic clock."""

    kind: str
    text: str = ""
    t_s: float = 0.0


class Link:
    """What a child has of its parent. ``ended`` is set when the parent wants it to end, or is gone."""

    def __init__(self) -> None:
        self.ended = threading.Event()
        # reports have a pipe of their own: what a library prints must not get between them
        self._out = os.fdopen(os.dup(1), "wb", buffering=0)
        os.dup2(2, 1)
        self._lock = threading.Lock()
        self._alive_due = 0.0
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the parent ends us
        with contextlib.suppress(ValueError, OSError):
            signal.signal(signal.SIGTERM, lambda *_: self.ended.set())
        _die_with_parent()

    def setup(self, kind: type[S]) -> S:
        """Return the first line of stdin as ``kind``; afterwards stdin is watched for its end."""
        line = sys.stdin.buffer.readline()
        value = msgspec.json.decode(line, type=kind)
        threading.Thread(target=self._watch, name="parent-watch", daemon=True).start()
        return value

    def _watch(self) -> None:
        # os.read and not the buffered reader: its lock would hold up the interpreter's end
        while os.read(0, 4096):
            pass
        self.ended.set()

    def report(self, kind: str, text: str = "") -> None:
        """Send one line to the parent; a parent that is gone is not an error."""
        line = msgspec.json.encode(Report(kind, text, time.monotonic())) + b"\n"
        try:
            with self._lock:
                self._out.write(line)
        except OSError:
            self.ended.set()

    def note(self, text: str) -> None:
        """Something for a person to read."""
        self.report("note", text)

    def alive(self) -> None:
        """Call it in the loop: once a second the parent is told that the loop still turns."""
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
    except Exception as error:  # the parent shows it on one line and starts us again
        link.note(f"{type(error).__name__}: {error}")
        code = 1
    sys.stderr.flush()
    os._exit(code)
