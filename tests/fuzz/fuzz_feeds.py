"""Fuzzes all decoders: ``python tests/fuzz/fuzz_feeds.py --inputs 1000000 --seed 1``.

Ends with code 1 and the target, its seed and the input's number at the first exception or broken promise.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
import traceback
from pathlib import Path

ROOT = Path(__file__).parents[2]
for folder in (ROOT / "tests" / "fuzz", ROOT / "tests" / "unit" / "feeds", ROOT):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

from fuzz_targets import targets  # noqa: E402 - needs the path above


def fuzz(inputs: int, seed: int, folder: Path, say: bool = False) -> dict[str, int]:
    """Run ``inputs`` inputs over all targets; how many each got. Whatever a target raises goes out."""
    done = {}
    for name, (share, target) in targets(folder).items():
        rng = random.Random(f"{seed} {name}")
        count = max(int(inputs * share), 1)
        start = time.perf_counter()
        for number in range(count):
            try:
                target(rng)
            except Exception as error:
                error.add_note(f"target {name!r}, seed {seed}, input {number}")
                raise
        done[name] = count
        if say:
            seconds = time.perf_counter() - start
            print(f"{name:28} {count:8} inputs {seconds:7.1f} s {seconds / count * 1e6:8.0f} us each", flush=True)
    return done


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        try:
            done = fuzz(given.inputs, given.seed, Path(folder), say=True)
        except Exception:
            traceback.print_exc()
            return 1
    print(f"{sum(done.values())} inputs, seed {given.seed}: no exception, no promise broken")
    return 0


if __name__ == "__main__":
    sys.exit(main())
