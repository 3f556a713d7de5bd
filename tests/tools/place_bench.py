"""Time and place against the simulator's own: lap times, delta at every frame, order of corners on a bad link.

python tests/tools/place_bench.py [--write tests/figures/place_bench.json]
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import shapely
from figures import write_figures
from simulated import columns_of

from coach.core.columns import Columns
from coach.core.cue.rules import RuleSet
from coach.core.pipeline import Pipeline
from coach.core.track.reference import Reference
from coach.profile.store import Plan, load_plan
from feeds.practice import Noise, SimRun, faultless, hollow_ridge, simulate

SILENT = RuleSet("none", "improving", ())


def lap_time_errors(plan: Plan, run: SimRun) -> np.ndarray:
    """Lap time from the frames minus the simulator's own [s], for each timed lap."""
    pipeline = Pipeline(plan.reference, plan.corners, SILENT)
    happened = pipeline.push_columns(columns_of(run))
    happened.add(pipeline.finish())
    return np.array([lap.time_s - run.lap_times_s[lap.lap - 1] for lap in happened.laps])


def delta_errors(plan: Plan, run: SimRun) -> Iterator[tuple[float, float]]:
    """(place [m], live delta minus the true one [s]) at each frame of the timed laps.

    The true place is shapely's projection of the true position, the true lap start the simulator's.
    """
    pipeline = Pipeline(plan.reference, plan.corners, SILENT)
    line = _ring(plan.reference)
    last = len(run.lap_times_s)
    for frame in run.frames():
        pipeline.push(frame)
        view = pipeline.view()
        if view.state != "live" or not 1 <= view.lap <= last or not np.isfinite(view.delta_s):
            continue
        start = run.lap_start_s[view.lap]
        place = line.project(shapely.Point(frame.x_m, frame.y_m))
        place = place * plan.reference.length_m / line.length
        if abs(place - view.s_m) > 50.0:
            # shapely knows no lap: at the line it may say either end
            continue
        yield view.s_m, view.delta_s - (frame.t_s - start - float(plan.reference.at("t_s", place)))


def _ring(reference: Reference) -> shapely.LineString:
    x, y = np.append(reference.x_m, reference.x_m[0]), np.append(reference.y_m, reference.y_m[0])
    return shapely.LineString(np.stack((x, y), axis=1))


def corner_order(plan: Plan, run: SimRun) -> tuple[int, int, int]:
    """(corners entered, corners out of order, corners left out) over all timed laps of a noisy run."""
    pipeline = Pipeline(plan.reference, plan.corners, SILENT)
    happened = pipeline.push_columns(Columns.of(run.frames()))
    happened.add(pipeline.finish())
    entered = [p.corner for p in happened.phases if p.event == "zone" and 1 <= p.lap <= len(run.lap_times_s)]
    n = len(plan.corners)
    wrong = sum((b - a) % n != 1 for a, b in pairwise(entered))
    return len(entered), wrong, max(n * len(run.lap_times_s) - len(entered), 0)


def main() -> None:
    """Print the three figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", metavar="FILE")
    args = parser.parse_args()
    plan = load_plan("hollow_ridge")
    base = faultless(hollow_ridge())
    clean = simulate(base, 6, seed=7)
    errors = lap_time_errors(plan, clean) * 1000
    print(f"lap time, 60 Hz: {len(errors)} laps, worst {np.abs(errors).max():.3f} ms off the simulator's own")
    found = np.array(list(delta_errors(plan, simulate(base, 3, seed=8))))
    off = np.abs(found[:, 1]) * 1000
    print(f"delta, 60 Hz: {len(off)} frames, 99 % within {np.quantile(off, 0.99):.3f} ms, worst {off.max():.3f} ms")
    noisy = simulate(base, 20, seed=9, noise=Noise(position_m=0.3, speed_mps=0.1, loss=0.05))
    entered, wrong, missing = corner_order(plan, noisy)
    print(
        f"corners in 20 laps with 0.3 m noise and 5 % loss: {entered} entered, {wrong} out of order, {missing} left out"
    )
    if args.write:
        delta = {"p99_ms": float(np.quantile(off, 0.99)), "worst_ms": float(off.max())}
        order = {"entered": entered, "out_of_order": wrong, "left_out": missing}
        write_figures(args.write, {"lap_worst_ms": float(np.abs(errors).max()), "delta": delta, "corners": order})


if __name__ == "__main__":
    main()
