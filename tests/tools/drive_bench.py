"""How well two parameters stand for a gearbox: the time of full-throttle straights by the fitted curve and as driven.

python tests/tools/drive_bench.py                     the development circuits
python tests/tools/drive_bench.py --set tuning

Each stretch of full throttle on a straight, in every valid lap: the time from its first speed on by the envelope's
a = min(P / v, traction) - c v^2 (``two``), and by the median of what was driven at that speed, in the gear that the
driver takes there (``gears``), against the driven time. ``lap`` is the mean error of all of a lap in per cent.
"""

from __future__ import annotations

import argparse
from itertools import pairwise

import numpy as np
from reach_bench import SETS, SIMULATORS, session

from coach.core.columns import Floats
from coach.survey import survey
from coach.survey.envelope.drive import STRAIGHT_MPS2, fit_drive
from coach.survey.envelope.fit import fit_envelope
from coach.survey.envelope.samples import BLOCK_M, Samples, samples_of

FEWEST = 8
"""Blocks of a stretch: 40 m."""
BIN_MPS = 2.0


def stretches(samples: Samples) -> list[tuple[int, int, int]]:
    """Row, first and last block of each stretch of full throttle on a straight."""
    assert samples.full is not None
    v = samples.speed_mps
    where = samples.full & (np.abs(samples.curvature_pm) * v * v < STRAIGHT_MPS2)
    out = []
    for row, line in enumerate(where):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
        out += [(row, int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= FEWEST]
    return out


def by_speed(samples: Samples, parts: list[tuple[int, int, int]]) -> tuple[Floats, Floats]:
    """The median acceleration at each speed: the gear there is the one the driver takes."""
    v = np.concatenate([samples.speed_mps[r, a:b] for r, a, b in parts])
    accel = np.concatenate([samples.accel_mps2[r, a:b] for r, a, b in parts])
    edges = np.arange(v.min(), v.max() + BIN_MPS, BIN_MPS)
    rows = [(0.5 * (a + b), float(np.median(accel[(v >= a) & (v < b)]))) for a, b in pairwise(edges)
            if ((v >= a) & (v < b)).any()]  # fmt: skip
    return np.array([r[0] for r in rows]), np.array([r[1] for r in rows])


def times(
    samples: Samples, part: tuple[int, int, int], power: float, drag: float, most: float, curve: tuple[Floats, Floats]
) -> list[float]:  # fmt: skip
    """Driven time, and that of the two curves [s]."""
    row, a, b = part
    slope = samples.accel_mps2[row, a:b] - np.gradient(samples.speed_mps[row, a:b] ** 2 / 2.0, BLOCK_M)
    driven = float((BLOCK_M / samples.speed_mps[row, a:b]).sum())
    out = [driven]
    for pull in (lambda v: min(power / v, most) - drag * v * v, lambda v: float(np.interp(v, *curve))):
        v, spent = float(samples.speed_mps[row, a]), 0.0
        for k in range(b - a):
            spent += BLOCK_M / v
            v = np.sqrt(max(v * v + 2.0 * BLOCK_M * (pull(v) - slope[k]), 9.0))
        out.append(spent)
    return out


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", choices=SETS, default="development")
    parser.add_argument("--simulators", nargs="+", choices=SIMULATORS, default=list(SIMULATORS))
    args = parser.parse_args()
    print(f"{'simulator':10} {'seed':>4} {'stretches':>9} {'two, lap %':>10} {'gears, lap %':>12}")
    for name in args.simulators:
        for seed, length in SETS[args.set].items():
            found = survey(session(name, seed, length, 12, 60.0, 0.0, "").columns, circuit="bench")
            assert found.lines is not None
            samples = samples_of(found.trace, found.lines, found.reference, found.corners)
            power, drag = fit_drive(samples, np.ones(len(samples.rows)))
            traction = fit_envelope(samples, 0).envelope.traction
            most = np.inf if traction is None else traction.base_mps2
            parts = stretches(samples)
            if power is None or not parts:
                print(f"{name:10} {seed:4} {len(parts):9} unknown")
                continue
            curve = by_speed(samples, parts)
            rows = np.array([times(samples, part, power, drag, most, curve) for part in parts])
            lap = len(samples.rows) * found.reference.lap_time_s / 100.0
            two, gears = ((rows[:, i] - rows[:, 0]).sum() / lap for i in (1, 2))
            print(f"{name:10} {seed:4} {len(parts):9} {two:+10.2f} {gears:+12.2f}", flush=True)


if __name__ == "__main__":
    main()
