"""Is the corner finder right on circuits nobody drew: found, missed, invented, apex error, per circuit and rate.

python tests/tools/survey_bench.py                     both groups of seeds, clean and noisy at 20, 60 and 100 Hz
python tests/tools/survey_bench.py --seeds 9 10        these layouts only
python tests/tools/survey_bench.py --show              each missed and invented corner in a line

Layouts are those of random-track-generator at 3.2 to 5.6 km (another length for each seed), driven by the practice
driver for LAPS laps with a practised driver's scatter; noise is 0.3 m and 0.1 m/s per sample. TUNED are the seeds that
were looked at while the finder was made, UNSEEN were only ever reported on.

What an intended corner is, is a judgement, so there are two counts. The list is the simulator's own: each bend of
its faultless line of at least 10 degrees that asks for 5 m/s2 or more. Of these a *corner* is one in which the
driver must slow (the speed falls by DIP_MPS below both sides), or that turns by TURN_DEG or more. What is left, an
easy flat kink of 10 to 25 degrees, is *arguable*: some would coach it, some not; finding it or not counts neither as
invented nor as missed. ``strict`` counts every bend of the list as a corner. A second corner found in one bend is
invented, and so is one in the wrong direction.

The apex is the stretch over which the faultless line lies within NEAR_M of its nearest to the inside edge; the error
is the way to that stretch along the circuit. The survey never sees the edge: it has the driven line only.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from generated_circuits import generated_circuit
from simulated import columns_of

from coach.survey import Survey, survey
from feeds.practice import Noise, simulate
from feeds.practice.corner_places import Places
from feeds.practice.faultless import Faultless, faultless

TUNED = (1, 2, 4, 5, 6, 7)
UNSEEN = (9, 10, 11, 12, 13, 14)
SETTINGS = ((False, 60.0), (True, 20.0), (True, 60.0), (True, 100.0))
LAPS = 5
DIP_MPS = 2.0
TURN_DEG = 25.0
NEAR_M = 0.3


@dataclass(frozen=True)
class Intended:
    """A bend of the circuit: stretch and apex stretch in metres along the centre line (they may pass its ends)."""

    place: Places
    turn_deg: float
    dip_mps: float
    apex_from_m: float
    apex_to_m: float

    @property
    def arguable(self) -> bool:
        """Whether it is an easy kink rather than a corner."""
        return self.dip_mps < DIP_MPS and self.turn_deg < TURN_DEG


@dataclass
class Count:
    """What came of one or more surveys."""

    corners: int = 0
    found: int = 0
    arguable: int = 0
    arguable_found: int = 0
    invented: int = 0
    off_m: list[float] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)

    def add(self, other: Count) -> None:
        """Take in another count."""
        for name in ("corners", "found", "arguable", "arguable_found", "invented"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.off_m += other.off_m
        self.lines += other.lines

    def __str__(self) -> str:
        off = np.array(self.off_m or [math.nan])
        spread = "/".join(f"{q:.1f}" for q in np.quantile(off, (0.5, 0.9, 1.0)))
        strict = f"{self.found + self.arguable_found} of {self.corners + self.arguable}"
        return (
            f"found {self.found:3d} of {self.corners:3d}  invented {self.invented:2d}  kinks {self.arguable_found} of"
            f" {self.arguable} (strict {strict})  apex off 50/90/100 %: {spread} m, within 10 m"
            f" {100 * float(np.mean(off <= 10.0)):.0f} %"
        )


@cache
def base_of(seed: int) -> Faultless:
    """The faultless lap of a layout; its length follows from the seed."""
    return faultless(generated_circuit(seed, length_m=3200.0 + 400.0 * (seed * 5 % 7)))


def intended(base: Faultless) -> list[Intended]:
    """Every bend of the simulator's list with what decides whether it is a corner."""
    circuit, m = base.circuit, len(base.circuit)
    v, curvature, step = base.driven.speed_mps, base.path.curvature_pm, base.path.step_m
    out = []
    for c in base.corners:
        a, b = (round(p / circuit.step_m) for p in (c.start_m, c.end_m))
        at = np.arange(a, b + 1) % m
        turn = abs(math.degrees(float(np.sum(curvature[at] * step[at]))))
        slowest = round(c.slowest_m / circuit.step_m)
        before = v[np.arange(round(c.before_m / circuit.step_m), slowest + 1) % m].max()
        after = v[np.arange(slowest, round(c.after_m / circuit.step_m) + 1) % m].max()
        dip = float(min(before, after) - v[slowest % m])
        inside = c.sign * base.offset_m - (circuit.left_m if c.sign > 0 else circuit.right_m)
        k = round(c.apex_m / circuit.step_m)
        near = inside >= inside[k % m] - NEAR_M
        first = last = k
        while near[(first - 1) % m] and k - first < m // 4:
            first -= 1
        while near[(last + 1) % m] and last - k < m // 4:
            last += 1
        out.append(Intended(c, turn, dip, first * circuit.step_m, last * circuit.step_m))
    return out


def score(base: Faultless, made: Survey, name: str) -> Count:
    """Match what was found with what there is."""
    circuit, r = base.circuit, made.reference
    stations = circuit.station_m
    bends = intended(base)
    count = Count(corners=sum(not b.arguable for b in bends), arguable=sum(b.arguable for b in bends))
    taken: dict[int, float] = {}
    for corner in made.corners:
        here = np.array([float(r.at("x_m", corner.apex_m)), float(r.at("y_m", corner.apex_m))])
        near = int(np.argmin(np.hypot(circuit.x_m - here[0], circuit.y_m - here[1])))
        at, _ = circuit.project(here[None, :], stations[near : near + 1])
        best = None
        for k, b in enumerate(bends):
            if b.place.direction != corner.direction:
                continue
            middle = 0.5 * (b.place.start_m + b.place.end_m)
            s = float(at[0]) + circuit.length_m * round((middle - float(at[0])) / circuit.length_m)
            if not b.place.start_m - 20.0 <= s <= b.place.end_m + 20.0:
                continue
            off = max(b.apex_from_m - s, s - b.apex_to_m, 0.0)
            if best is None or off < best[1]:
                best = (k, off)
        if best is None or best[0] in taken:
            count.invented += 1
            why = "no such bend" if best is None else f"second one in {bends[best[0]].place.name}"
            count.lines.append(f"{name}: invented {corner.direction} at {float(at[0]):.0f} m ({why})")
            continue
        taken[best[0]] = best[1]
        if best[1] > 10.0:
            p = bends[best[0]]
            count.lines.append(f"{name}: apex of {p.place.name} at {float(at[0]):.0f} m, is {p.apex_from_m:.0f} to"
                               f" {p.apex_to_m:.0f} (slowest at {p.place.slowest_m:.0f})")  # fmt: skip
    for k, b in enumerate(bends):
        hit = k in taken
        if b.arguable:
            count.arguable_found += hit
            continue
        count.found += hit
        if hit:
            count.off_m.append(taken[k])
        else:
            count.lines.append(f"{name}: missed {b.place.name} {b.place.direction} {b.place.start_m:.0f} to"
                               f" {b.place.end_m:.0f} m, {b.turn_deg:.0f} degrees, dip {b.dip_mps:.1f} m/s,"
                               f" slowest {b.place.slowest_mps:.0f} m/s")  # fmt: skip
    return count


def job(args: tuple[int, bool, float, int]) -> Count:
    """One circuit in one setting."""
    seed, noisy, rate, laps = args
    base = base_of(seed)
    noise = Noise(position_m=0.3, speed_mps=0.1) if noisy else None
    run = simulate(base, laps, rate_hz=rate, seed=100 + seed, noise=noise)
    return score(base, survey(columns_of(run)), f"layout {seed} {label(noisy, rate)}")


def label(noisy: bool, rate: float) -> str:
    """The name of a setting."""
    return f"{'noisy' if noisy else 'clean'} {rate:3.0f} Hz"


def main(argv: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", nargs="*", type=int)
    parser.add_argument("--laps", type=int, default=LAPS)
    parser.add_argument("--show", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args(argv)
    groups = {"these": tuple(args.seeds)} if args.seeds else {"tuned on": TUNED, "unseen": UNSEEN}
    with ProcessPoolExecutor(args.workers) as pool:
        for group, seeds in groups.items():
            jobs = [(seed, noisy, rate, args.laps) for seed in seeds for noisy, rate in SETTINGS]
            done = dict(zip(jobs, pool.map(job, jobs), strict=True))
            totals = {setting: Count() for setting in SETTINGS}
            for (seed, noisy, rate, _), count in done.items():
                print(f"{group} layout {seed:2d} {base_length(seed)} m {label(noisy, rate)}  {count}")
                totals[noisy, rate].add(count)
            for (noisy, rate), count in totals.items():
                print(f"== {group}, all {label(noisy, rate)}  {count}")
                if args.show:
                    print(*(f"   {line}" for line in count.lines), sep="\n")


def base_length(seed: int) -> int:
    """The length of a layout [m]."""
    return 3200 + 400 * (seed * 5 % 7)


if __name__ == "__main__":
    main()
