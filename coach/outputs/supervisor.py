"""Starts, watches and restarts the output processes; the engine never waits for it.

A child that dies, or gives no sign of life for five seconds, restarts: at once the first time, then after growing
pauses. Exit code 0 means the user closed it, and it stays closed; code 2 means it cannot work on this machine.
"""

from __future__ import annotations

import contextlib
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import IO, NamedTuple

import msgspec

from coach.outputs.base import Notice
from coach.outputs.child import NOT_HERE, Report

WAITS_S = (0.05, 0.5, 1.0, 2.0, 4.0, 8.0)
SILENCE_S = 5.0
START_S = 60.0
STEADY_S = 30.0
END_S = 2.0


class Spec(NamedTuple):
    """A child: its display name, the module to run, and its setup (any msgspec value)."""

    name: str
    module: str
    setup: msgspec.Struct


class _Said(NamedTuple):
    child: _Child
    line: bytes  # empty: its stdout ended, so it is gone


class _Child:
    """One child across its restarts."""

    def __init__(self, spec: Spec) -> None:
        self.spec = spec
        self.process: subprocess.Popen[bytes] | None = None
        self.out: IO[bytes] | None = None
        self.reader: threading.Thread | None = None
        self.fails = 0
        self.noted: set[str] = set()
        self.started_s = 0.0
        self.start_at_s: float | None = 0.0
        self.silent_at_s = float("inf")

    def start(self, said: queue.SimpleQueue[_Said | None]) -> None:
        """Start it; its lines go to ``said``."""
        self.start_at_s = None
        self.process = subprocess.Popen(
            [sys.executable, "-m", self.spec.module],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # Ctrl-C goes to the whole group: only the engine ends its children
            start_new_session=True,
        )
        self.started_s = time.monotonic()
        self.silent_at_s = self.started_s + START_S
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        with contextlib.suppress(OSError):  # it may be dead already; the end of its stdout shows that
            self.process.stdin.write(msgspec.json.encode(self.spec.setup) + b"\n")
            self.process.stdin.flush()
        self.reader = threading.Thread(
            target=_read, args=(self, self.process.stdout, said), name=f"{self.spec.name}-reader", daemon=True
        )
        self.reader.start()

    def close_stdin(self) -> None:
        """Close its stdin, which asks it to exit."""
        if self.process is not None and self.process.stdin is not None:
            with contextlib.suppress(OSError):
                self.process.stdin.close()

    def reap(self, limit_s: float) -> int:
        """Wait for its exit and kill it after ``limit_s``; return the exit code (negative: the signal)."""
        assert self.process is not None
        try:
            code = self.process.wait(timeout=limit_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            code = self.process.wait()
        self.close_stdin()
        if self.reader is not None:
            self.reader.join(timeout=1.0)
        if self.process.stdout is not None:
            self.process.stdout.close()
        self.process = None
        return code


def _read(child: _Child, out: IO[bytes], said: queue.SimpleQueue[_Said | None]) -> None:
    for line in out:
        said.put(_Said(child, line))
    said.put(_Said(child, b""))


class Supervisor:
    """Runs the children of ``specs`` until ``close``.

    ``on_report(name, report)`` receives every line except notes and signs of life, on the supervisor's thread.
    ``on_closed(name)`` is called when the user closed one. ``restarts`` counts restarts by name.
    """

    def __init__(
        self,
        specs: Sequence[Spec],
        notice: Notice,
        on_closed: Callable[[str], None] | None = None,
        on_report: Callable[[str, Report], None] | None = None,
        silence_s: float = SILENCE_S,
    ) -> None:
        self.restarts = {spec.name: 0 for spec in specs}
        self._children = [_Child(spec) for spec in specs]
        self._notice = notice
        self._on_closed = on_closed
        self._on_report = on_report
        self._silence_s = silence_s
        self._said: queue.SimpleQueue[_Said | None] = queue.SimpleQueue()
        # only this thread, which lives to the end, starts children: the kernel's "die with the parent" follows the
        # starting thread
        self._thread = threading.Thread(target=self._run, name="supervisor", daemon=True)
        self._thread.start()

    def pid(self, name: str) -> int | None:
        """Return the process id of a running child."""
        process = next(c.process for c in self._children if c.spec.name == name)
        return None if process is None else process.pid

    def close(self) -> None:
        """Stop all children and wait at most about two seconds; a second call does nothing."""
        if self._thread.is_alive():
            self._said.put(None)
            self._thread.join(timeout=END_S + 5.0)

    def _run(self) -> None:
        while True:
            self._start_due()
            try:
                said = self._said.get(timeout=max(0.0, min(1.0, self._next_s() - time.monotonic())))
            except queue.Empty:
                self._end_silent()
                continue
            if said is None:
                break
            self._take(said)
        running = [c for c in self._children if c.process is not None]
        for child in running:
            child.close_stdin()
        until = time.monotonic() + END_S
        for child in running:
            child.reap(max(0.05, until - time.monotonic()))

    def _next_s(self) -> float:
        return min((c.start_at_s for c in self._children if c.start_at_s is not None), default=float("inf"))

    def _start_due(self) -> None:
        for child in self._children:
            if child.start_at_s is not None and time.monotonic() >= child.start_at_s:
                try:
                    child.start(self._said)
                except OSError as error:
                    self._notice(f"the {child.spec.name} process cannot be started: {error}")

    def _end_silent(self) -> None:
        for child in self._children:
            if child.process is not None and time.monotonic() > child.silent_at_s:
                self._notice(f"the {child.spec.name} gives no sign of life: it is ended and started again")
                child.silent_at_s = float("inf")
                child.process.kill()  # the end of its stdout then triggers the restart

    def _take(self, said: _Said) -> None:
        child = said.child
        if not said.line:
            self._gone(child)
            return
        child.silent_at_s = time.monotonic() + self._silence_s
        try:
            report = msgspec.json.decode(said.line, type=Report)
        except msgspec.DecodeError:
            return
        if report.kind == "note":
            if report.text not in child.noted:  # a restarted child reports the same again: once is enough
                child.noted.add(report.text)
                self._notice(f"{child.spec.name}: {report.text}")
        elif report.kind != "alive" and self._on_report is not None:
            self._on_report(child.spec.name, report)

    def _gone(self, child: _Child) -> None:
        code = child.reap(END_S)
        if code == NOT_HERE:
            return
        if code == 0:
            if self._on_closed is not None:
                self._on_closed(child.spec.name)
            return
        now = time.monotonic()
        child.fails = 1 if now - child.started_s > STEADY_S else child.fails + 1
        wait_s = WAITS_S[min(child.fails, len(WAITS_S)) - 1]
        how = f"signal {-code}" if code < 0 else f"code {code}"
        self._notice(f"the {child.spec.name} ended ({how}): started again in {wait_s:g} s")
        child.start_at_s = now + wait_s
        self.restarts[child.spec.name] += 1
