"""Of the time a driver loses by his habits, how much is he told of within six laps, and how soon?

python tests/tools/uttered_bench.py                          drivers of four classes on four circuits, and every corner
python tests/tools/uttered_bench.py --quick                  two circuits, one driver of a class, no corners
python tests/tools/uttered_bench.py --write tests/figures/uttered_bench.json
``--second`` and ``--third`` take sealed sets, ``--sealed`` the first two circuits of the first: once, at the end.

A habit's loss is what the simulator says: the same laps driven again without it. It is told when a correction is spoken
at its corner that names it (or one that sends the driver the same way, SAME_CURE of scenario_rows.py). Once told, the
driver does half of it from the next round on; with ``--deaf`` he does not. Habits that cost under WORTH_S a lap count
for nothing. A corner is mute when none of the habits tried there, one at a time, is told.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from circuit_sets import SEALED_SECOND, SEALED_THIRD
from figures import write_figures
from scenario_bench import durations_of, rules_of
from scenario_ground import OPEN, QUICK, RATE_HZ, SEALED_TWO, Drive, Ground, ground
from scenario_rows import accepted

from coach.core.pipeline import Pipeline
from coach.core.values import Decision, Pass
from feeds.practice import FaultPlan, Habit, Scatter, applies, simulate
from feeds.practice.simulate import Run

LAPS = 6
SECOND, THIRD = tuple(map(str, SEALED_SECOND)), tuple(map(str, SEALED_THIRD))
GOAL = 0.9
WORTH_S = 0.05
FEW = 30
"""A row of fewer habits than this says so."""
LEARNS = 0.5
USUAL: tuple[tuple[str, float], ...] = (
    ("brake_early", 18.0), ("brake_soft", 0.25), ("brake_long", 18.0), ("brake_late", 8.0), ("turn_in_early", 10.0),
    ("turn_in_late", 8.0), ("apex_missed", 1.6), ("slow_middle", 2.8), ("coasting", 22.0), ("throttle_late", 18.0),
    ("throttle_soft", 0.3), ("exit_narrow", 1.8), ("exit_wide", 1.0),
)  # fmt: skip
"""Faults of a middling driver and how large they are (common practice, no source)."""
MOST = {
    "brake_soft": 0.7, "throttle_soft": 0.7, "brake_late": 15.0, "turn_in_early": 16.0, "turn_in_late": 14.0,
    "apex_missed": 3.0, "exit_narrow": 3.5, "exit_wide": 2.0,
}  # fmt: skip
"""Largest amounts that stay on the road."""
TRIED: tuple[tuple[str, float], ...] = (("brake_early", 25.0), ("slow_middle", 3.0), ("throttle_late", 22.0))
"""Habits tried at every corner in turn."""


@dataclass(frozen=True)
class Kind:
    """A class of drivers: how many corners have a habit, how large they are beside the usual, and the scatter."""

    name: str
    habits: int
    size: float
    scatter: Scatter


KINDS = (
    Kind("one habit", 1, 1.2, Scatter()),
    Kind("three habits", 3, 1.0, Scatter()),
    Kind("five habits", 5, 1.0, Scatter()),
    Kind("beginner", 10, 3.4, Scatter(4.0, 0.6, 0.3)),
)


@dataclass
class Told:
    """One habit: what it costs a lap, and when it was first told (lap 1 is the first whole one; None: never)."""

    corner: int
    fault: str
    cost_s: float
    lap: int | None = None
    found: bool = True
    """Whether the diagnosis found it in time, in two of three passes running, so that it could have been told."""


@dataclass
class Driver:
    """One driver on one circuit."""

    circuit: str
    kind: str
    off_s: float
    habits: list[Told] = field(default_factory=list)


def habits_of(place: Ground, kind: Kind, seed: int) -> tuple[Habit, ...]:
    """Habits at different corners, 0.8 to 1.25 times the class's size."""
    rng = np.random.default_rng([seed, kind.habits, 17])
    out: list[Habit] = []
    corners = rng.permutation(len(place.base.corners)).tolist()
    for corner in corners[: kind.habits]:
        fits = [f for f in USUAL if applies(place.base, corner, f[0])]
        fault, amount = fits[int(rng.integers(len(fits)))]
        size = float(rng.uniform(0.8, 1.25)) * kind.size * amount
        out.append(Habit(corner, fault, min(size, MOST.get(fault, size)), spread=0.1 * amount))
    return tuple(out)


def costs(place: Ground, habits: tuple[Habit, ...], scatter: Scatter, seed: int) -> tuple[list[Told], float]:
    """Return the cost of each habit per lap [s], the mean of two laps, and their difference from the
    faultless one [s].
    """
    run = simulate(place.base, 2, rate_hz=RATE_HZ, seed=seed, faults=FaultPlan(habits), scatter=scatter)
    out = []
    for habit in habits:
        paid = [t.cost_s for t in run.truth if (t.corner, t.fault) == (habit.corner, habit.fault) and t.lap in (1, 2)]
        out.append(Told(int(habit.corner), habit.fault, float(np.mean(paid)) if paid else 0.0))
    return out, float(np.mean(run.lap_times_s)) - place.base.lap_time_s


def listen(
    place: Ground, habits: tuple[Habit, ...], scatter: Scatter, seed: int, deaf: bool
) -> tuple[list[tuple[int, Decision]], list[Pass]]:
    """The corrections that the driver hears in LAPS laps, each with the lap in which it was spoken; the passes."""
    run = Run(place.base, rate_hz=RATE_HZ, seed=seed, plan=FaultPlan(habits), scatter=scatter)
    pipeline = Pipeline(place.reference, place.corners, rules_of(), durations_of(place.corners))
    heard: list[Decision] = []
    passes: list[Pass] = []
    starts: dict[int, float] = {}
    while LAPS + 1 not in starts:
        _, sampled = run.advance()
        starts.update(sampled.crossings)
        events = pipeline.push_columns(Drive(sampled.channels, {}).columns())
        passes += events.passes
        new = [d for d in events.decisions if d.outcome == "spoken" and d.family == "correction"]
        heard += new
        if not deaf:
            run.plan = FaultPlan(tuple(_taught(place, habit, new) for habit in run.plan.habits))
    laps = sorted(starts)
    return [(max([n for n in laps if starts[n] <= d.t_s], default=0), d) for d in heard], passes


def found_in_time(place: Ground, habit: Told, passes: list[Pass]) -> bool:
    """Whether the habit was found in a pass before lap LAPS and in one of the two passes before that."""
    names = [c.name for c in place.corners]
    found = [
        any(f.fault in accepted(habit.fault) for f in p.findings)
        for p in passes
        if p.lap < LAPS and names[p.corner] in place.names(int(habit.corner))
    ]
    return any(now and any(found[max(i - 2, 0) : i]) for i, now in enumerate(found))


def names_it(place: Ground, habit: Habit | Told, d: Decision) -> bool:
    """Whether a correction tells of a habit."""
    return d.corner in place.names(int(habit.corner)) and d.fault in accepted(habit.fault)


def _taught(place: Ground, habit: Habit, heard: list[Decision]) -> Habit:
    told = any(names_it(place, habit, d) for d in heard)
    return replace(habit, amount=habit.amount * (1.0 - LEARNS)) if told else habit


def taught(circuit: str, kind: str, habits: tuple[Habit, ...], scatter: Scatter, seed: int, deaf: bool) -> Driver:
    """A driver, the costs of the habits and the time of each one's cue."""
    place = ground(circuit)
    told, off_s = costs(place, habits, scatter, seed)
    heard, passes = listen(place, habits, scatter, seed, deaf)
    for habit in told:
        laps = [lap for lap, d in heard if names_it(place, habit, d) and lap <= LAPS]
        habit.lap = min(laps, default=None)
        habit.found = found_in_time(place, habit, passes)
    return Driver(circuit, kind, off_s, told)


def share(drivers: Iterable[Driver]) -> tuple[float, int, list[int]]:
    """Share of the loss that was told, the number of habits that count, and the laps until each was first told."""
    counted = [h for d in drivers for h in d.habits if h.cost_s >= WORTH_S]
    told = [h for h in counted if h.lap is not None]
    whole = sum(h.cost_s for h in counted)
    return sum(h.cost_s for h in told) / max(whole, 1e-9), len(counted), [h.lap for h in told if h.lap is not None]


def untold(drivers: Iterable[Driver]) -> tuple[float, float]:
    """Share of the loss that was not told: never found in time, which is the diagnosis', and the choice's."""
    counted = [h for d in drivers for h in d.habits if h.cost_s >= WORTH_S]
    whole = max(sum(h.cost_s for h in counted), 1e-9)
    silent = [h for h in counted if h.lap is None]
    return (sum(h.cost_s for h in silent if not h.found) / whole, sum(h.cost_s for h in silent if h.found) / whole)


def line(name: str, drivers: list[Driver]) -> str:
    """One row of the table."""
    part, n, laps = share(drivers)
    off = [d.off_s for d in drivers]
    soon = f"{np.median(laps):.0f}" if laps else "-"
    never, chosen = untold(drivers)
    verdict = "reached" if part >= GOAL else "short of the goal"
    few = "" if n >= FEW else " (few)"
    return (f"{name:24s} {len(drivers):3d} drivers {min(off):4.1f} to {max(off):4.1f} s off, {n:3d} habits{few}:"
            f" {part:4.0%} of the loss told, {len(laps)} told, first in lap {soon} (median);"
            f" never found in time {never:4.0%}, found and not told {chosen:4.0%}; {verdict}")  # fmt: skip


def every_corner(circuit: str, deaf: bool) -> list[Driver]:
    """One habit at each corner in turn."""
    place = ground(circuit)
    out = []
    for corner in place.base.corners:
        for fault, amount in TRIED:
            if applies(place.base, corner.index, fault):
                habit = Habit(corner.index, fault, amount, spread=0.05 * amount)
                out.append(taught(circuit, "each corner", (habit,), Scatter(), 1, deaf))
    return out


def mute(drivers: list[Driver]) -> tuple[list[str], int]:
    """Corners at which no habit that counts is told, with what was lost there; and the number of corners tried."""
    by: dict[tuple[str, int], list[Told]] = {}
    for d in drivers:
        for h in d.habits:
            if h.cost_s >= WORTH_S:
                by.setdefault((d.circuit, h.corner), []).append(h)
    out = []
    for (circuit, corner), habits in by.items():
        if all(h.lap is None for h in habits):
            name = ground(circuit).base.corners[corner].name or f"corner {corner + 1}"
            out.append(f"{circuit} {name}: " + ", ".join(f"{h.fault} {h.cost_s:.2f} s" for h in habits))
    return out, len(by)


def figures(drivers: list[Driver]) -> dict[str, object]:
    """For the figures file."""
    out: dict[str, object] = {}
    for kind in dict.fromkeys(d.kind for d in drivers):
        rows = {}
        for circuit in ("all", *dict.fromkeys(d.circuit for d in drivers)):
            group = [d for d in drivers if d.kind == kind and circuit in ("all", d.circuit)]
            part, n, laps = share(group)
            never, chosen = untold(group)
            rows[circuit] = {"drivers": len(group), "habits": n, "share_told": part, "told": len(laps),
                             "never_found": never, "found_not_told": chosen,
                             "laps_until_told": float(np.median(laps)) if laps else None}  # fmt: skip
        out[kind] = rows
    return out


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--circuits", nargs="*", default=[])
    parser.add_argument("--drivers", type=int, default=6, help="of each class on each circuit")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--sealed", action="store_true")
    parser.add_argument("--second", action="store_true", help="the second sealed set")
    parser.add_argument("--third", action="store_true", help="the third sealed set")
    parser.add_argument("--deaf", action="store_true", help="the driver does not take the advice")
    parser.add_argument("--no-corners", action="store_true", help="leave out one habit at each corner in turn")
    parser.add_argument("--write", metavar="FILE")
    args = parser.parse_args(argv)
    circuits = args.circuits or (
        QUICK if args.quick else SEALED_TWO if args.sealed else SECOND if args.second else THIRD if args.third else OPEN
    )
    drivers: list[Driver] = []
    for kind in KINDS:
        for circuit in circuits:
            for seed in range(1, (1 if args.quick else args.drivers) + 1):
                habits = habits_of(ground(circuit), kind, seed)
                drivers.append(taught(circuit, kind.name, habits, kind.scatter, seed, args.deaf))
            print(line(f"{kind.name}, {circuit}", [d for d in drivers if (d.kind, d.circuit) == (kind.name, circuit)]),
                  flush=True)  # fmt: skip
        print(line(f"{kind.name}, all", [d for d in drivers if d.kind == kind.name]))
    out: dict[str, object] = {"laps": LAPS, "goal": GOAL, "classes": figures(drivers)}
    if not (args.quick or args.no_corners):
        turns = [d for circuit in circuits for d in every_corner(circuit, args.deaf)]
        for circuit in circuits:
            print(line(f"each corner, {circuit}", [d for d in turns if d.circuit == circuit]))
        silent, corners = mute(turns)
        print(f"mute corners: {len(silent)} of {corners}")
        for text in silent:
            print(f"  {text}")
        out["each corner"] = figures(turns)["each corner"]
        out["mute"] = {"corners": corners, "mute": silent}
    if args.write:
        write_figures(args.write, out)


if __name__ == "__main__":
    main()
