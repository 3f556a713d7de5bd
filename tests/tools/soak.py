"""Does it last: memory, missed frames, share of a core, and what kill -9 costs.

python tests/tools/soak.py                  2 h at 60 Hz as fast as it goes, then 10 min live over UDP, then a kill
python tests/tools/soak.py --hours 0.1 --minutes 0.2
python tests/tools/soak.py --only live --minutes 10

Exit code 1 when memory grows by more than GROWTH_MB_H, a frame is missed, or a kill costs more than LOST_S of record.
"""

from __future__ import annotations

import argparse
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import psutil  # type: ignore[import-untyped]  # ships no types

sys.path.insert(0, str(Path(__file__).parent))

from coach.app.engine import Engine
from coach.core.pipeline import Pipeline
from coach.outputs.base import Capture
from coach.profile.rule_files import load_rules
from coach.profile.store import load_plan
from coach.session.header import Header
from coach.session.reader import SessionReader
from coach.session.writer import SessionWriter
from feeds.errors import FeedEnded
from feeds.frame import Frame
from feeds.practice import FaultPlan, Habit, Scatter, faultless, hollow_ridge
from feeds.practice.sampling import frames_of
from feeds.practice.simulate import Run
from feeds.udp import send

GROWTH_MB_H = 10.0
LOST_S = 1.0
HABITS = FaultPlan.of(
    Habit("Quarry", "brake_early", 16.0, spread=2.0),
    Habit("Beacon", "throttle_late", 14.0, spread=2.0),
    Habit("Cauldron", "slow_middle", 2.2, spread=0.3),
)


def drive(length_s: float, rate_hz: float = 60.0) -> Iterator[Frame]:
    """A simulated drive of that length, made as it is taken so that nothing of it is held."""
    run = Run(faultless(hollow_ridge()), rate_hz=rate_hz, seed=4, plan=HABITS, scatter=Scatter())
    sent = 0
    while True:
        _, sampled = run.advance()
        for frame in frames_of(sampled.channels, None, 0, sent):
            if frame.t_s > length_s:
                return
            yield frame
        sent += len(sampled.channels["t_s"])


@dataclass
class Memory:
    """Resident memory over time: (hours, MB)."""

    process: psutil.Process
    points: list[tuple[float, float]] = field(default_factory=list)

    def note(self, hours: float) -> None:
        """One more point."""
        self.points.append((hours, self.process.memory_info().rss / 2**20))

    @property
    def slope_mb_h(self) -> float:
        """Growth over the second half [MB/h], a straight line through it (numpy.polyfit)."""
        half = np.array(self.points[len(self.points) // 2 :])
        return float(np.polyfit(half[:, 0], half[:, 1], 1)[0]) if len(half) > 2 else 0.0

    def __str__(self) -> str:
        rss = [mb for _, mb in self.points] or [float("nan")]
        return (
            f"memory {rss[0]:.0f} MB first, {rss[-1]:.0f} MB last, {max(rss):.0f} MB most, {self.slope_mb_h:+.1f} MB/h"
        )


class Feed:
    """The engine's side of a drive, as fast as it is taken."""

    def __init__(self, frames: Iterator[Frame], memory: Memory, every_s: float) -> None:
        self._frames, self._memory, self._every_s = frames, memory, every_s
        self.given, self._due = 0, every_s

    def read_many(self, max_frames: int, timeout_s: float) -> list[Frame]:
        """The next frames; FeedEnded after the last."""
        out = [frame for frame, _ in zip(self._frames, range(max_frames), strict=False)]
        if not out:
            raise FeedEnded("soak")
        self.given += len(out)
        if out[-1].t_s >= self._due:
            self._memory.note(out[-1].t_s / 3600.0)
            self._due += self._every_s
        return out


@dataclass
class Outcome:
    """Result of a part: a line to print, and its faults."""

    line: str
    wrong: list[str] = field(default_factory=list)


def accelerated(hours: float, folder: Path) -> Outcome:
    """The engine with outputs and a record, as fast as it goes."""
    plan = load_plan("hollow_ridge")
    writer = SessionWriter(folder / "accelerated", Header(session="soak", started_at="", feed="practice"))
    memory, capture = Memory(psutil.Process()), Capture(keep_views=False)
    feed = Feed(drive(hours * 3600.0), memory, hours * 3600.0 / 40)
    pipeline = Pipeline(plan.reference, plan.corners, load_rules("improving"))
    began = time.process_time()
    tally = Engine(feed, pipeline, capture, writer, FeedEnded).run(lambda: False)
    took = time.process_time() - began
    status = writer.close()
    missed = feed.given - status.frames
    wrong = [f"{missed} of {feed.given} frames are not in the record"] if missed else []
    if hours >= 0.5 and memory.slope_mb_h > GROWTH_MB_H:
        wrong.append(f"memory grows by {memory.slope_mb_h:.1f} MB/h")
    line = (
        f"accelerated: {hours:g} h, {feed.given} frames, {len(tally.laps)} laps, {len(capture.decisions)} decisions, "
        f"{took:.0f} s of CPU, {tally.busy_s:.0f} s in the engine; missed {missed}; {memory}"
    )
    return Outcome(line, wrong)


@contextmanager
def listening(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], int, Path]]:
    """``coach drive --feed udp`` as its users start it, with a home of its own; yields it, its port and its record."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    record = folder / f"live-{port}"
    command = [sys.executable, "-m", "coach", "drive", "--feed", "udp", "--port", str(port), "--quiet",
               "--record", str(record)]  # fmt: skip
    homes = {name: str(folder / "home") for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME")}
    with subprocess.Popen(command, env={**os.environ, **homes}, cwd=Path(__file__).parents[2]) as child:
        try:
            deadline = time.monotonic() + 120.0
            while not (record / "header.json").exists():
                if child.poll() is not None or time.monotonic() > deadline:
                    raise RuntimeError(f"coach drive did not begin (exit code {child.poll()})")
                time.sleep(0.05)
            yield child, port, record
        finally:
            if child.poll() is None:
                child.kill()


class Sender:
    """Plays a drive to a port in real time from a thread; ``times`` are those of the frames sent."""

    def __init__(self, length_s: float, port: int) -> None:
        self.times: list[float] = []
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(list(drive(length_s)), port))
        self._thread.start()

    def _run(self, frames: list[Frame], port: int) -> None:
        send(self._noted(frames), port=port)

    def _noted(self, frames: list[Frame]) -> Iterator[Frame]:
        for frame in frames:
            if self._stopped.is_set():
                return
            yield frame
            self.times.append(frame.t_s)

    @property
    def alive(self) -> bool:
        """Whether it still sends."""
        return self._thread.is_alive()

    def stop(self) -> None:
        """No more."""
        self._stopped.set()
        self._thread.join()


def live(minutes: float, folder: Path) -> Outcome:
    """Real time over loopback UDP into a ``coach drive`` of its own process."""
    with listening(folder) as (child, port, record):
        process = psutil.Process(child.pid)
        memory, sender = Memory(process), Sender(minutes * 60.0, port)
        began, cpu = time.monotonic(), sum(process.cpu_times()[:2])
        while sender.alive:
            memory.note((time.monotonic() - began) / 3600.0)
            time.sleep(0.5)
        took, used = time.monotonic() - began, sum(process.cpu_times()[:2]) - cpu
        sender.stop()
        time.sleep(1.0)
        child.send_signal(signal.SIGINT)
        code = child.wait(timeout=60.0)
    reader = SessionReader(record)
    got = reader.columns()["t_s"]
    missed = len(np.setdiff1d(np.array(sender.times), got))
    wrong = [f"{missed} of {len(sender.times)} frames were missed"] if missed else []
    if code:
        wrong.append(f"coach drive ended with exit code {code}")
    if minutes >= 5.0 and memory.slope_mb_h > 60.0:
        wrong.append(f"memory grows by {memory.slope_mb_h:.1f} MB/h")
    line = (
        f"live: {minutes:g} min over UDP, {len(sender.times)} frames sent, missed {missed}, "
        f"{used / took:.1%} of a core; {memory}; counters {reader.header.counters}"
    )
    return Outcome(line, wrong)


def killed(seconds: float, folder: Path) -> Outcome:
    """kill -9 in the middle of a live run: how much of the record is gone, and whether the rest can be read."""
    with listening(folder) as (child, port, record):
        sender = Sender(2.0 * seconds, port)
        time.sleep(seconds)
        child.kill()
        at = sender.times[-1]
        child.wait()
        sender.stop()
    reader = SessionReader(record)
    got = reader.columns()["t_s"]
    lost = at - float(got[-1])
    missed = int(np.sum(np.array(sender.times) <= got[-1])) - len(got)
    wrong = [f"the kill cost {lost:.2f} s"] if lost > LOST_S else []
    if missed:
        wrong.append(f"{missed} frames before the kill are not in the record")
    tail = f"; {reader.tail()}" if reader.tail() else ""
    return Outcome(f"killed after {seconds:g} s: {len(got)} frames read back, {lost:.2f} s of record lost{tail}", wrong)


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=2.0, help="length of the accelerated run")
    parser.add_argument("--minutes", type=float, default=10.0, help="length of the live run")
    parser.add_argument("--only", choices=("accelerated", "live", "killed"))
    args = parser.parse_args(argv)
    wrong = []
    with tempfile.TemporaryDirectory() as base:
        folder = Path(base)
        parts: dict[str, Callable[[], Outcome]] = {
            "accelerated": lambda: accelerated(args.hours, folder),
            "live": lambda: live(args.minutes, folder),
            "killed": lambda: killed(min(args.minutes * 60.0, 20.0), folder),
        }
        for name, part in parts.items():
            if args.only in (None, name):
                outcome = part()
                print(outcome.line, *(f"\n   WRONG: {w}" for w in outcome.wrong), flush=True)
                wrong += outcome.wrong
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
