"""Checks the corner finder on generated circuits: found, missed, invented, apex error, per circuit and rate.

python tests/tools/survey_bench.py                     both groups of seeds, clean and noisy at 20, 60 and 100 Hz
python tests/tools/survey_bench.py --seeds 9 10        these layouts only
python tests/tools/survey_bench.py --show              each missed and invented corner in a line
python tests/tools/survey_bench.py --compound SET      compound circuits (see compound_bench): development or sealed
python tests/tools/survey_bench.py --write FILE        the totals as JSON records too

Layouts are those of random-track-generator at 3.2 to 5.6 km (another length for each seed), driven by the practice
driver for LAPS laps with a practised driver's scatter; noise is 0.3 m and 0.1 m/s per sample. TUNED are the seeds that
served development of the finder, UNSEEN were only ever reported on.

What an intended corner is, is a judgement, so there are two counts. The list is the simulator's own: each bend of
its faultless line of at least 10 degrees that asks for 5 m/s2 or more. Of these a *corner* is one in which the
driver must slow (the speed falls by DIP_MPS below both sides), or that turns by TURN_DEG or more. What is left, an
easy flat kink of 10 to 25 degrees, is *arguable*: some would coach it, some not; finding it or not counts neither as
invented nor as missed. ``strict`` counts every bend of the list as a corner. What was found beyond the list is *extra*
where the faultless line does turn that way with LOADED_MPS2 or more and no other corner is within APART_M (a bend just
under the list's bounds, a second part of a bend that goes on for half a kilometre), else *invented*: on a straight, in
the wrong direction, or one corner cut in two.

The apex is the stretch over which the faultless line lies within NEAR_M of its nearest to the inside edge; the error
is the way to that stretch along the circuit. The survey never sees the edge: it has the driven line only.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

import compound_bench
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
LOADED_MPS2 = 3.0
APART_M = 150.0


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

    def off_m(self, station_m: float, length_m: float) -> float:
        """How far a place lies from the apex stretch."""
        s = self._beside(station_m, length_m)
        return max(self.apex_from_m - s, s - self.apex_to_m, 0.0)

    def holds(self, station_m: float, length_m: float) -> bool:
        """Whether a place lies in the bend, or within 20 m of it."""
        s = self._beside(station_m, length_m)
        return self.place.start_m - 20.0 <= s <= self.place.end_m + 20.0

    def _beside(self, station_m: float, length_m: float) -> float:
        middle = 0.5 * (self.place.start_m + self.place.end_m)
        return station_m + length_m * round((middle - station_m) / length_m)


@dataclass
class Count:
    """Results of one or more surveys."""

    corners: int = 0
    found: int = 0
    arguable: int = 0
    arguable_found: int = 0
    extra: int = 0
    invented: int = 0
    off_m: list[float] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)

    def add(self, other: Count) -> None:
        """Take in another count."""
        for name in ("corners", "found", "arguable", "arguable_found", "extra", "invented"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.off_m += other.off_m
        self.lines += other.lines

    def __str__(self) -> str:
        off = np.array(self.off_m or [math.nan])
        spread = "/".join(f"{q:.1f}" for q in np.quantile(off, (0.5, 0.9, 1.0)))
        strict = f"{self.found + self.arguable_found} of {self.corners + self.arguable}"
        return (
            f"found {self.found:3d} of {self.corners:3d}  invented {self.invented:2d}  extra {self.extra:2d}"
            f"  kinks {self.arguable_found} of {self.arguable} (strict {strict})"
            f"  apex off 50/90/100 %: {spread} m, within 10 m"
            f" {100 * float(np.mean(off <= 10.0)):.0f} %"
        )


@cache
def base_of(seed: int) -> Faultless:
    """The faultless lap of a layout."""
    return faultless(generated_circuit(seed, length_m=float(length_of(seed))))


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
    """Match what was found with what there is: the nearest pairs first, one found corner for each bend."""
    circuit = base.circuit
    bends = intended(base)
    count = Count(corners=sum(not b.arguable for b in bends), arguable=sum(b.arguable for b in bends))
    at = [station(base, made, c.apex_m) for c in made.corners]
    pairs = sorted(
        (b.off_m(s, circuit.length_m), k, i)
        for i, s in enumerate(at) for k, b in enumerate(bends)
        if b.place.direction == made.corners[i].direction and b.holds(s, circuit.length_m)
    )  # fmt: skip
    of_bend: dict[int, tuple[int, float]] = {}
    used: set[int] = set()
    for off, k, i in pairs:
        if k not in of_bend and i not in used:
            of_bend[k] = (i, off)
            used.add(i)
    lateral = base.driven.speed_mps**2 * base.path.curvature_pm
    for i, corner in enumerate(made.corners):
        if i in used:
            continue
        loaded = float(lateral[round(at[i] / circuit.step_m) % len(circuit)]) * (
            1 if corner.direction == "left" else -1
        )
        apart = min(abs((at[i] - at[j] + circuit.length_m / 2) % circuit.length_m - circuit.length_m / 2) for j in used)
        real = loaded >= LOADED_MPS2 and apart > APART_M
        count.extra += real
        count.invented += not real
        count.lines.append(f"{name}: {'extra' if real else 'invented'} {corner.direction} at {at[i]:.0f} m, loaded with"
                           f" {loaded:.1f} m/s2, {apart:.0f} m from the next")  # fmt: skip
    for k, b in enumerate(bends):
        hit = of_bend.get(k)
        if b.arguable:
            count.arguable_found += hit is not None
            continue
        count.found += hit is not None
        if hit is None:
            count.lines.append(f"{name}: missed {b.place.name} {b.place.direction} {b.place.start_m:.0f} to"
                               f" {b.place.end_m:.0f} m, {b.turn_deg:.0f} degrees, dip {b.dip_mps:.1f} m/s,"
                               f" slowest {b.place.slowest_mps:.0f} m/s")  # fmt: skip
            continue
        count.off_m.append(hit[1])
        if hit[1] > 10.0:
            count.lines.append(f"{name}: apex of {b.place.name} at {at[hit[0]]:.0f} m, is {b.apex_from_m:.0f} to"
                               f" {b.apex_to_m:.0f} (slowest at {b.place.slowest_m:.0f})")  # fmt: skip
    return count


def station(base: Faultless, made: Survey, place_m: float) -> float:
    """A place of the survey's reference as metres along the circuit's centre line."""
    circuit, r = base.circuit, made.reference
    here = np.array([[float(r.at("x_m", place_m)), float(r.at("y_m", place_m))]])
    near = int(np.argmin(np.hypot(circuit.x_m - here[0, 0], circuit.y_m - here[0, 1])))
    return float(circuit.project(here, circuit.station_m[near : near + 1])[0][0])


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
    parser.add_argument("--compound", choices=tuple(compound_bench.SETS))
    parser.add_argument("--write", type=Path)
    args = parser.parse_args(argv)
    records = compound(args) if args.compound else generated(args)
    if args.write:
        known = json.loads(args.write.read_text()) if args.write.exists() else []
        new = {(r["bench"], r["set"], r["setting"]) for r in records}
        kept = [r for r in known if (r["bench"], r["set"], r["setting"]) not in new]
        args.write.parent.mkdir(parents=True, exist_ok=True)
        args.write.write_text(json.dumps([*kept, *records], indent=1) + "\n")


def compound(args: argparse.Namespace) -> list[dict[str, object]]:
    """Print and return the counts over a set of compound circuits."""
    seeds = compound_bench.SETS[args.compound]
    totals = {setting: compound_bench.Tally() for setting in compound_bench.SETTINGS}
    with ProcessPoolExecutor(args.workers) as pool:
        for tallies in pool.map(compound_bench.one, seeds):
            for setting, tally in tallies.items():
                totals[setting].add(tally)
    for setting, tally in totals.items():
        print(f"== compound, {args.compound}, {len(seeds)} circuits, {setting}: {tally}")
        if args.show:
            print(*(f"   {line}" for line in tally.lines), sep="\n")
    return [
        {"bench": "compound", "set": args.compound, "setting": setting, **tally.record()}
        for setting, tally in totals.items()
    ]


def generated(args: argparse.Namespace) -> list[dict[str, object]]:
    """Print and return the counts over generated layouts."""
    records: list[dict[str, object]] = []
    groups = {"these": tuple(args.seeds)} if args.seeds else {"tuned on": TUNED, "unseen": UNSEEN}
    with ProcessPoolExecutor(args.workers) as pool:
        for group, seeds in groups.items():
            jobs = [(seed, noisy, rate, args.laps) for seed in seeds for noisy, rate in SETTINGS]
            done = dict(zip(jobs, pool.map(job, jobs), strict=True))
            totals = {setting: Count() for setting in SETTINGS}
            for (seed, noisy, rate, _), count in done.items():
                print(f"{group} layout {seed:2d} {length_of(seed)} m {label(noisy, rate)}  {count}")
                totals[noisy, rate].add(count)
            for (noisy, rate), count in totals.items():
                print(f"== {group}, all {label(noisy, rate)}  {count}")
                if args.show:
                    print(*(f"   {line}" for line in count.lines), sep="\n")
                records.append({
                    "bench": "generated", "set": group, "setting": label(noisy, rate), "corners": count.corners,
                    "found": count.found, "invented": count.invented, "extra": count.extra,
                    "apex_within_10m": round(float(np.mean(np.array(count.off_m) <= 10.0)), 3),
                })  # fmt: skip
    return records


def length_of(seed: int) -> int:
    """The length of a layout [m]: another one for each seed."""
    return 3200 + 400 * (seed * 5 % 7)


if __name__ == "__main__":
    main()
