"""Time to start: the help, and ``coach drive`` until the first frame went through the core.

python tests/tools/start_bench.py             three starts of each
python tests/tools/start_bench.py --runs 9

Wall time runs from just before the process is created; CPU time is the process's own, which other work on the machine
hardly changes. The first, cold start is not counted. Goals: help 0.3 s, first frame 1.5 s.
"""

from __future__ import annotations

import argparse
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parents[2]))

GOALS_S: Final = {"help": 0.3, "drive, practice": 1.5, "drive, udp": 1.5}
STARTED: Final = "START_BENCH_STARTED"
LIMIT_S: Final = 60.0


def child(arguments: list[str]) -> None:
    """Run the command line here; print wall and CPU time [s] at the first frame (or the end), then stop."""
    from coach.cli.root import run

    def report() -> None:
        print(f"took {time.monotonic() - float(os.environ[STARTED]):.3f} {time.process_time():.3f}", flush=True)

    if arguments[0] == "drive":
        from coach.app.engine import Engine
        from feeds.frame import Frame

        take = Engine._take

        def taken(engine: Engine, frames: list[Frame]) -> None:
            take(engine, frames)
            if frames:
                report()
                os._exit(0)

        Engine._take = taken  # type: ignore[method-assign, assignment]
        run(arguments)
    else:
        try:
            run(arguments)
        finally:
            report()


def start(arguments: list[str], folder: Path) -> tuple[float, float]:
    """Start once; wall and CPU time [s]."""
    own = {"XDG_DATA_HOME": str(folder / "data"), "XDG_CACHE_HOME": str(folder / "cache")}
    command = [sys.executable, __file__, "--child", *arguments]
    environment = {**os.environ, **own, STARTED: repr(time.monotonic())}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=LIMIT_S, check=False)
    took = [line.split()[1:] for line in done.stdout.splitlines() if line.startswith("took ")]
    if not took:
        raise SystemExit(f"{' '.join(arguments)}: no frame came through\n{done.stderr}")
    wall, cpu = map(float, took[0])
    return wall, cpu


def send(port: int, ended: threading.Event) -> None:
    """Send frames to ``port`` until ``ended``."""
    from feeds.frame import Frame
    from feeds.messages import encode

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        n = 0
        while not ended.wait(0.01):
            out.sendto(encode(Frame(t_s=0.01 * n, seq=n, x_m=0.3 * n, y_m=0.0, speed_mps=30.0)), ("127.0.0.1", port))
            n += 1


def main(argv: list[str] | None = None) -> int:
    """Command line; 1 when a goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=3, help="starts of each (default 3)")
    parser.add_argument("--child", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    args = parser.parse_args(argv)
    if args.child:
        child(args.child)
        return 0
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    quiet = ["--no-voice", "--no-overlay"]
    cases = {
        "help": ["--help"],
        "drive, practice": ["drive", *quiet],
        "drive, udp": ["drive", "--feed", "udp", "--port", str(port), "--profile", "hollow_ridge", *quiet],
    }
    missed, ended = False, threading.Event()
    sender = threading.Thread(target=send, args=(port, ended), daemon=True)
    sender.start()
    with tempfile.TemporaryDirectory() as folder:
        for name, arguments in cases.items():
            took = [start(arguments, Path(folder)) for _ in range(args.runs + 1)][1:]
            wall, cpu = (sorted(values)[len(values) // 2] for values in zip(*took, strict=True))
            missed |= wall > GOALS_S[name]
            print(
                f"{name}: wall {wall:.2f} s (goal {GOALS_S[name]:g}), CPU {cpu:.2f} s, median of {args.runs}",
                flush=True,
            )
    ended.set()
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
