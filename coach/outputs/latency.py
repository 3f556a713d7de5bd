"""Measures a cue's delay from the decision to the ear and to the eye in the running product.

The measurement covers the whole path: the decision goes over the bus to the voice and the overlay process. With a
PulseAudio (or PipeWire) server, the first sound comes from a recording of the output device; elsewhere it is the time
of handing the clip to the device plus one device buffer, and is marked as such.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from coach.core.values import Decision, View
from coach.errors import OutputError
from coach.outputs.child import Report
from coach.outputs.live import Live, OutputChoice
from coach.outputs.overlay.settings import Settings
from coach.outputs.voice.options import VoiceOptions
from coach.outputs.voice.sound import RATE_HZ

PHRASES = ("brake at the hundred", "late apex", "third gear")  # alternating: an unchanged caption is not repainted
QUIET_S = 0.4
WAIT_S = 2.0
START_S = 30.0


class Figure(NamedTuple):
    """One measured delay [ms]: median, 95th percentile, maximum, count; ``how`` it was measured."""

    what: str
    median_ms: float
    p95_ms: float
    most_ms: float
    n: int
    how: str


def figure(what: str, seconds: Sequence[float], how: str) -> Figure:
    """Return the figure of a list of delays [s]; NaN if empty."""
    if not seconds:
        return Figure(what, np.nan, np.nan, np.nan, 0, how)
    ms = np.asarray(seconds) * 1000
    return Figure(what, float(np.median(ms)), float(np.percentile(ms, 95)), float(ms.max()), len(seconds), how)


class Ear:
    """Detects the onset of sound on the default output through ``parec``; times are monotonic [s].

    ``quiet_s`` is the duration of silence.

    The constructor raises OutputError if it cannot listen.
    """

    def __init__(self, source: str = "@DEFAULT_MONITOR@", threshold: float = 0.005) -> None:
        program = shutil.which("parec")
        if program is None:
            raise OutputError("parec is not installed: the sound cannot be recorded")
        self.onsets: list[float] = []
        self.quiet_s = 0.0
        self._threshold = threshold * 32768
        command = [program, "-d", source, "--raw", "--format=s16le", "--rate=48000", "--channels=1"]
        self._process = subprocess.Popen(
            [*command, "--latency-msec=2"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        self._first = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="ear", daemon=True)
        self._thread.start()
        if not self._first.wait(5.0) or self._process.poll() is not None:
            self.close()
            raise OutputError("the sound server gives no recording of what is played")

    def _listen(self) -> None:
        assert self._process.stdout is not None
        number, silent, rest = self._process.stdout.fileno(), 10**9, b""
        while data := os.read(number, 4096):
            now = time.monotonic()
            self._first.set()
            data, rest = rest + data, b""
            if len(data) % 2:
                data, rest = data[:-1], data[-1:]
            loud = np.flatnonzero(np.abs(np.frombuffer(data, "<i2").astype(np.int32)) > self._threshold)
            self.quiet_s = 0.0 if len(loud) else (silent + len(data) // 2) / RATE_HZ
            if len(loud):
                if silent > QUIET_S / 2 * RATE_HZ:
                    self.onsets.append(now)  # arrival time, not back-dated: a sink may render ahead in blocks
                silent = len(data) // 2 - int(loud[-1])
            else:
                silent += len(data) // 2
        self._first.set()

    def close(self) -> None:
        """Stop listening."""
        self._process.kill()
        self._process.wait()
        self._thread.join(timeout=2.0)
        if self._process.stdout is not None:
            self._process.stdout.close()


@contextlib.contextmanager
def _ear() -> Iterator[Ear | None]:
    try:
        ear = Ear()
    except OutputError:
        yield None
        return
    try:
        yield ear
    finally:
        ear.close()


def _until(true: Callable[[], bool], limit_s: float) -> bool:
    deadline = time.monotonic() + limit_s
    while not true():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.0005)
    return True


def measure_latency(
    cues: int = 20,
    voice: VoiceOptions | None = None,
    overlay: Settings | None = None,
    notice: Callable[[str], None] = lambda text: None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Figure]:
    """Speak and show ``cues`` cues and measure each: engine delay, first sound, pixel.

    Takes about 1.5 s per cue. An output that does not work has a figure with n = 0. Raise OutputError for bad options.
    """
    options = voice or VoiceOptions()
    blocked: list[float] = []
    heard: list[float] = []
    seen: list[float] = []
    reports: list[tuple[str, Report]] = []
    ready: set[str] = set()

    def on_report(name: str, report: Report) -> None:
        if report.kind == "ready":
            ready.add(name)
        reports.append((name, report))

    choice = OutputChoice(options, overlay or Settings(), console=False)
    with _ear() as ear:
        live = Live(choice, PHRASES, notice, on_report=on_report)
        try:
            _until(lambda: len(ready) == 2, START_S)
            _settle(live)
            for i in range(cues):
                _one(live, ear, reports, options, blocked, heard, seen)
                if progress is not None:
                    progress(i + 1, cues)
        finally:
            live.close()
    how = "recorded" if ear is not None else "handed to the device, plus one buffer"
    return [
        figure("engine held up by a cue", blocked, "the call on the engine's thread"),
        figure("decision to first sound", heard, how),
        figure("decision to pixel", seen, "picture handed to the window system"),
    ]


def _settle(live: Live) -> None:
    """Send views for a second, until sockets are connected and the device's first silence is over."""
    until = time.monotonic() + 1.5
    while time.monotonic() < until:
        live.output.view(View(t_s=0.0, state="live"))
        time.sleep(0.02)


def _one(
    live: Live,
    ear: Ear | None,
    reports: list[tuple[str, Report]],
    options: VoiceOptions,
    blocked: list[float],
    heard: list[float],
    seen: list[float],
) -> None:
    """Measure one cue: wait until it is heard and seen, or a limit, then until it ends."""
    if ear is not None:
        # a busy machine may play the previous cue late: only silence separates it from the next
        _until(lambda: ear.quiet_s > QUIET_S, WAIT_S)
    mark, onset = len(reports), len(ear.onsets) if ear is not None else 0
    phrase = PHRASES[len(blocked) % len(PHRASES)]
    cue = Decision(0.0, 0, 0.0, "", "latency", "spoken", "", phrase, 0.0, 0.0)
    asked = time.monotonic()
    live.output.decision(cue)
    blocked.append(time.monotonic() - asked)

    def got(kind: str) -> list[float]:
        return [r.t_s for _, r in reports[mark:] if r.kind == kind and r.text == phrase]

    def done() -> bool:
        sound = len(ear.onsets) > onset if ear is not None else bool(got("started"))
        return sound and bool(got("painted"))

    _until(done, WAIT_S)
    if ear is not None:
        heard += [ear.onsets[onset] - asked] if len(ear.onsets) > onset else []
    else:
        heard += [t - asked + options.buffer / RATE_HZ for t in got("started")[:1]]
    seen += [t - asked for t in got("painted")[:1]]
    # the next cue follows this one's end, at a random phase of frames and device buffers
    end = asked + live.durations_s[phrase] + QUIET_S + 0.05 * ((len(blocked) * 0.618) % 1.0)
    while time.monotonic() < end:
        live.output.view(View(t_s=0.0, state="live", delta_s=0.1 * (len(blocked) % 7)))
        time.sleep(0.02)
