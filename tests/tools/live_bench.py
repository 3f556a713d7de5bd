"""The live path over loopback UDP: share of one core, and how long from a datagram to the decision.

python tests/tools/live_bench.py                          60 and 360 Hz, 60 s each
python tests/tools/live_bench.py --rates 360 --seconds 30

A process of its own sends; feed, core, record and the handing on of views and decisions run here, as in ``coach
drive``. The delay of a frame is from just before it is sent until its results reached the outputs.
Its wait for the frames before it is in there, and so is what other work on the machine costs: run it alone.
Goals: 2 % of a core at 60 Hz, 8 % at 360 Hz, 99 of 100 frames within 2 ms at 360 Hz.
"""

from __future__ import annotations

import argparse
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

import msgspec
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))

from soak import drive

from coach.app.engine import Engine
from coach.core.columns import Columns, Floats
from coach.core.pipeline import Events, Pipeline
from coach.core.values import Decision
from coach.outputs.base import Capture
from coach.profile.rule_files import load_rules
from coach.profile.store import load_plan
from coach.session.header import Header
from coach.session.writer import SessionWriter
from feeds.errors import FeedEnded
from feeds.messages import encode
from feeds.udp import UdpFeed

START_S: Final = 2.0
"""The receiver has this long to begin; its first second is not counted."""
SILENT_S: Final = 0.2
GOAL_SHARE: Final = {60.0: 0.02, 360.0: 0.08}
GOAL_P99_MS: Final = 2.0


def send(port: int, rate_hz: float, seconds: float, stamps: Path) -> None:
    """Send a drive in real time; the moment before each datagram goes to ``stamps``, in order of their numbers."""
    frames = list(drive(seconds, rate_hz))
    data = [encode(msgspec.structs.replace(frame, seq=i)) for i, frame in enumerate(frames)]
    sent = np.empty(len(data))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        began = time.monotonic() + START_S
        for i, (frame, datagram) in enumerate(zip(frames, data, strict=True)):
            wait_s = began + frame.t_s - frames[0].t_s - time.monotonic()
            if wait_s > 0.0:
                time.sleep(wait_s)
            sent[i] = time.monotonic()
            out.sendto(datagram, ("127.0.0.1", port))
    np.save(stamps, np.stack(([frame.t_s for frame in frames], sent)))


class Stamped(Capture):
    """Notes when each decision arrived, by the session time at which it fell."""

    def __init__(self) -> None:
        super().__init__(keep_views=False)
        self.at: dict[float, float] = {}

    def decision(self, decision: Decision) -> None:
        """Keep the decision and the moment."""
        super().decision(decision)
        self.at[decision.t_s] = time.monotonic()


class Watched(Pipeline):
    """Notes when each frame had been through the core."""

    def __init__(self) -> None:
        plan = load_plan("hollow_ridge")
        super().__init__(plan.reference, plan.corners, load_rules("improving"))
        self.done: dict[float, float] = {}
        self.newest = float("-inf")

    def push_columns(self, chunk: Columns) -> Events:
        """Push, and note the moment."""
        happened = super().push_columns(chunk)
        self.newest = time.monotonic()
        self.done.update(dict.fromkeys(chunk["t_s"].tolist(), self.newest))
        return happened


def run(rate_hz: float, seconds: float, folder: Path) -> None:
    """One rate: receive, measure, print."""
    stamps = folder / f"{rate_hz:g}.npy"
    writer = SessionWriter(folder / f"{rate_hz:g}", Header(session="bench", started_at="", feed="udp"))
    pipeline, output = Watched(), Stamped()
    with UdpFeed(port=0) as feed:
        command = [sys.executable, __file__, "--send", str(feed.port), str(rate_hz), str(seconds), str(stamps)]
        with subprocess.Popen(command) as sender:
            engine = Engine(feed, pipeline, output, writer, FeedEnded)
            while not pipeline.done and sender.poll() is None:
                engine.run(lambda: bool(pipeline.done) or sender.poll() is not None)
            began, used = time.monotonic(), time.process_time()
            # the sender is asked only where the feed has been silent: asking costs as much as a frame
            engine.run(lambda: time.monotonic() - pipeline.newest > SILENT_S and sender.poll() is not None)
            took, used = time.monotonic() - began, time.process_time() - used
    writer.close()
    sent = dict(np.load(stamps).T.tolist())
    frames = _delays(sent, pipeline.done)[int(rate_hz) :]
    decisions = _delays(sent, output.at)
    missed, share, p99 = len(sent) - len(pipeline.done), used / took, float(np.percentile(frames, 99))
    goal = GOAL_SHARE.get(rate_hz)
    print(f"{rate_hz:.0f} Hz, {took:.0f} s: {len(sent)} frames sent, {missed} missed, engine {share:.2%} of one core"
          + (f" (goal {goal:.0%})" if goal else ""))  # fmt: skip
    print(f"   datagram to all that came of it: median {np.median(frames):.2f} ms, p99 {p99:.2f} ms (goal "
          f"{GOAL_P99_MS:g}), most {frames.max():.2f} ms, {len(frames)} frames")  # fmt: skip
    if len(decisions):
        print(f"   datagram to decision: median {np.median(decisions):.2f} ms, most {decisions.max():.2f} ms, "
              f"{len(decisions)} moments with decisions", flush=True)  # fmt: skip


def _delays(sent: dict[float, float], done: dict[float, float]) -> Floats:
    """Delays of what was sent and arrived [ms], in order of session time; the end of the run is not among them."""
    return np.array([(done[t] - at) * 1e3 for t, at in sorted(sent.items()) if t in done])


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rates", type=float, nargs="+", default=[60.0, 360.0], help="frames a second")
    parser.add_argument("--seconds", type=float, default=60.0, help="length of each run")
    parser.add_argument("--send", nargs=4, help=argparse.SUPPRESS)
    args = parser.parse_args(argv)
    if args.send:
        port, rate, seconds, stamps = args.send
        send(int(port), float(rate), float(seconds), Path(stamps))
        return
    with tempfile.TemporaryDirectory() as folder:
        for rate in args.rates:
            run(rate, args.seconds, Path(folder))


if __name__ == "__main__":
    main(sys.argv[1:])
