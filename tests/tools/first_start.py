"""``coach drive`` with a voice on a machine where nothing was ever rendered: until the run begins, and what is unsaid.

python tests/tools/first_start.py             until the run begins, then one lap
python tests/tools/first_start.py --laps 0    only until it begins
python tests/tools/first_start.py --filled    once more with the cache filled

Everything runs as a driver starts it, in processes of its own, with empty folders for cache and sessions and a sound
device that plays into nothing. The run begins with the first live view that a helper receives; a call is unsaid when
the voice has no clip of it at the moment it is due. Goal: 5 s, and no call unsaid.
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

sys.path.insert(0, str(Path(__file__).parents[2]))

from coach.core.values import Decision, LapDone, View
from coach.outputs.bus.subscriber import Subscriber

GOAL_S = 5.0
LIMIT_S = 300.0
UNSAID = "was not prepared"


def start(folder: Path, laps: int, pace: str) -> tuple[float, int, list[str]]:
    """Start, listen until ``laps`` are driven; seconds until the run began, calls spoken, lines on stderr."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
    command = [sys.executable, "-m", "coach", "drive", "--no-overlay", "--watch", address, "--speed", pace]
    own = {"XDG_CACHE_HOME": str(folder / "cache"), "XDG_DATA_HOME": str(folder / "data"), "SDL_AUDIODRIVER": "dummy"}
    bus = Subscriber(address)
    began_s, driven, spoken, lines = 0.0, 0, 0, list[str]()
    started = time.monotonic()
    with subprocess.Popen(
        command, env=os.environ | own, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    ) as run:
        assert run.stderr is not None
        reader = threading.Thread(target=lambda: lines.extend(run.stderr or ()), daemon=True)
        reader.start()
        while run.poll() is None and time.monotonic() - started < LIMIT_S and (not began_s or driven < laps):
            for message in bus.read(0.02):
                if isinstance(message, View) and message.state != "waiting" and not began_s:
                    began_s = time.monotonic() - started
                spoken += isinstance(message, Decision) and message.outcome == "spoken"
                driven += isinstance(message, LapDone)
        run.terminate()
        reader.join(10.0)
    bus.close()
    return began_s, spoken, lines


def main(argv: list[str] | None = None) -> int:
    """Command line; 1 when a goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--laps", type=int, default=1, help="laps to listen to (default 1)")
    parser.add_argument("--speed", default="1", help="pace of the practice feed")
    parser.add_argument("--filled", action="store_true", help="start a second time")
    args = parser.parse_args(argv)
    missed = False
    with tempfile.TemporaryDirectory() as folder:
        for name in ("empty", "filled")[: 1 + args.filled]:
            began_s, spoken, lines = start(Path(folder), args.laps, args.speed)
            unsaid = sum(UNSAID in line for line in lines)
            missed |= not 0.0 < began_s <= GOAL_S or unsaid > 0
            print(f"cache {name}: the run began after {began_s:.1f} s (goal {GOAL_S:g}); in {args.laps} laps {spoken} "
                  f"calls were spoken, {unsaid} lacked a clip", flush=True)  # fmt: skip
            print("".join(f"   {line}" for line in lines), end="")
    return int(missed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
