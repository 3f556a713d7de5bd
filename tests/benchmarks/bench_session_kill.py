"""How much of a record kill -9 costs: ``python tests/benchmarks/bench_session_kill.py``."""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "unit" / "session"))
sys.path.insert(0, str(ROOT))

from test_session_write_read import CHILD  # noqa: E402 - needs the path above

from coach.session.reader import SessionReader  # noqa: E402


def lost_s(folder: Path, after_s: float) -> float:
    """Seconds of frames that were handed over and are not in the record after kill -9."""
    command = [sys.executable, "-c", CHILD, str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as child:
        assert child.stdout is not None
        last = 0.0
        for line in child.stdout:
            last = float(line) if line.endswith("\n") else last
            if last > after_s and child.returncode is None:
                child.send_signal(signal.SIGKILL)
    return last - float(SessionReader(folder).columns()["t_s"][-1])


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as base:
        lost = [lost_s(Path(base) / str(i), 1.0 + 0.037 * i) for i in range(20)]
    print(f"20 kills: lost at most {max(lost):.3f} s, {sum(lost) / len(lost):.3f} s in the mean (allowed 1 s)")
