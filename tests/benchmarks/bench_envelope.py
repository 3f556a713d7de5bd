"""How long envelope and reachable lap take: ``python tests/benchmarks/bench_envelope.py``.

A practice session of 20 laps of 4 km, and the same laps again and again up to two hours; CPU time after the survey,
the best of three, and the largest memory in use meanwhile (tracemalloc).
"""

from __future__ import annotations

import argparse
import sys
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))

from simulated import columns_of

from coach.survey import survey
from coach.survey.envelope.reachable import reach_of, reachable_reference
from coach.survey.survey import Survey
from feeds.practice import Scatter, hollow_ridge, simulate

RUNS = 3


def longer(found: Survey, times: int) -> Survey:
    """The survey with its laps ``times`` over."""
    assert found.lines is not None
    lines = replace(
        found.lines,
        **{n: np.tile(getattr(found.lines, n), (times, 1)) for n in ("offset_m", "speed_mps", "curvature_pm")},
        laps=found.lines.laps * times,
    )
    return replace(found, lines=lines, laps=found.laps * times)


def measure(found: Survey) -> tuple[float, float]:
    """CPU seconds and megabytes."""
    best = np.inf
    for _ in range(RUNS):
        begin = time.process_time()
        reach = reach_of(found)
        assert reach is not None
        reachable_reference(found.reference, reach)
        best = min(best, time.process_time() - begin)
    tracemalloc.start()
    reach_of(found)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return float(best), peak


def main() -> None:
    """Run and print."""
    argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter).parse_args()
    run = simulate(hollow_ridge(), 20, rate_hz=60.0, seed=3, scatter=Scatter())
    found = survey(columns_of(run), circuit="bench")
    for times, name in ((1, "20 laps"), (4, "80 laps, two hours")):
        seconds, megabytes = measure(longer(found, times))
        print(f"{name:20} {seconds:5.2f} s CPU  {megabytes:5.0f} MB")


if __name__ == "__main__":
    main()
