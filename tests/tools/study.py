"""A study with people: which of two ways of coaching is retained better the next day. Its plan, and its evaluation.

python tests/tools/study.py plan --drivers 12 --arms improving ask --circuits first second > study/plan.csv
python tests/tools/study.py evaluate study/plan.csv

Each driver learns one circuit with one arm and the other circuit with the other arm, in an order and a pairing that
are balanced over the drivers. The plan holds one row a session: who, which circuit, which arm, which part, the folder
of the session, and the command that runs it. Before and retention are driven without any coach; retention is the next
day.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Final

import numpy as np
from scipy import stats

from coach.errors import CoachError, DataError
from coach.session.reader import SessionReader

ARMS: Final[dict[str, str]] = {
    "improving": "--rules improving --no-buttons",
    "ask": "--rules ask",
    "tones": "--rules improving --no-buttons --tones count",
    "silent": "--quiet",
}
"""Arm -> the options of ``coach drive`` that make it."""
PARTS: Final = {"before": 8, "practice": 20, "retention": 8}
"""Part -> laps (common practice, no source)."""
LEAST_LAPS: Final = 3
"""A part with fewer valid laps tells nothing."""
COLUMNS: Final = ("driver", "day", "circuit", "arm", "part", "session", "command")


@dataclass(frozen=True)
class Outcome:
    """What is retained of an arm less what is retained of the other, per driver, as shares of a lap's time."""

    arms: tuple[str, str]
    drivers: tuple[str, ...]
    retained: Mapping[str, tuple[float, ...]]
    difference: tuple[float, ...]
    mean: float
    low: float
    high: float
    p_t: float
    p_rank: float
    p_order: float
    smallest: float
    """The standardized difference that a study of this size finds in four of five cases."""


def rows(drivers: int, arms: Sequence[str], circuits: Sequence[str]) -> list[dict[str, str]]:
    """The plan of a crossover of two ``arms`` on two ``circuits``."""
    groups = list(product((False, True), (False, True)))  # which arm first, which circuit first
    out = []
    for number in range(drivers):
        other_arm, other_circuit = groups[number % len(groups)]
        order = arms[::-1] if other_arm else arms
        places = circuits[::-1] if other_circuit else circuits
        for period, (arm, circuit) in enumerate(zip(order, places, strict=True)):
            for part, laps in PARTS.items():
                day = 1 + 7 * period + (part == "retention")
                session = f"driver{number + 1:02d}_{arm}_{part}"
                how = ARMS[arm] if part == "practice" else ARMS["silent"]
                command = (
                    f"coach drive --profile {circuit} --driver study{number + 1:02d}{arm} {how} "
                    f"--laps {laps} --record {session}"
                )
                values = (f"driver{number + 1:02d}", str(day), circuit, arm, part, session, command)
                out.append(dict(zip(COLUMNS, values, strict=True)))
    return out


def lap_s(session: Path) -> float:
    """Median of the valid laps of a session [s]; DataError where too few are valid."""
    times = [lap.time_s for lap in SessionReader(session).laps() if lap.valid]
    if len(times) < LEAST_LAPS:
        raise DataError(str(session), f"expected at least {LEAST_LAPS} valid laps, found {len(times)}")
    return float(np.median(times))


def retained(plan: Path) -> dict[str, dict[str, tuple[float, int]]]:
    """Driver -> arm -> share of the lap's time that is gained the next day, and the day it began."""
    found: dict[tuple[str, str, str], tuple[float, int]] = {}
    try:
        with plan.open(encoding="utf-8", newline="") as file:
            read = list(csv.DictReader(file))
    except OSError as error:
        raise DataError(str(plan), f"the plan cannot be read ({error.strerror})") from error
    for number, row in enumerate(read, start=2):
        missing = [name for name in COLUMNS[:-1] if not row.get(name)]
        if missing or row["part"] not in PARTS or not row["day"].isdigit():
            raise DataError(f"{plan}:{number}", f"expected columns {', '.join(COLUMNS[:-1])}, filled; found {row}")
        if row["part"] != "practice":
            key = (row["driver"], row["arm"], row["part"])
            found[key] = (lap_s(plan.parent / row["session"]), int(row["day"]))
    out: dict[str, dict[str, tuple[float, int]]] = {}
    for (driver, arm, part), (before, day) in found.items():
        if part == "before":
            after = found.get((driver, arm, "retention"))
            if after is None:
                raise DataError(str(plan), f"{driver}, {arm}: expected both parts, found no retention")
            out.setdefault(driver, {})[arm] = ((before - after[0]) / before, day)
    return out


def evaluate(gains: Mapping[str, Mapping[str, tuple[float, int]]]) -> Outcome:
    """Compare two arms within each driver; ValueError unless all drivers drove the same two."""
    arms = sorted({arm for by_arm in gains.values() for arm in by_arm})
    if len(arms) != 2 or any(len(by_arm) != 2 for by_arm in gains.values()) or len(gains) < 3:
        raise ValueError(f"expected two arms, three drivers; found arms {', '.join(arms)} and {len(gains)} drivers")
    drivers = tuple(sorted(gains))
    by_arm = {arm: tuple(gains[d][arm][0] for d in drivers) for arm in arms}
    difference = np.subtract(by_arm[arms[0]], by_arm[arms[1]])
    t = stats.ttest_1samp(difference, 0.0)
    low, high = t.confidence_interval(0.95)
    first = np.array([gains[d][arms[0]][1] < gains[d][arms[1]][1] for d in drivers])
    order = (
        stats.ttest_ind(difference[first], difference[~first]).pvalue if 1 < first.sum() < len(first) - 1 else np.nan
    )
    rank = float(stats.wilcoxon(difference).pvalue)
    return Outcome(
        (arms[0], arms[1]), drivers, by_arm, tuple(difference.tolist()), float(difference.mean()), float(low),
        float(high), float(t.pvalue), rank, float(order), smallest_found(len(drivers)),
    )  # fmt: skip


def smallest_found(pairs: int, power: float = 0.8, level: float = 0.05) -> float:
    """Mean over deviation of the differences that a paired t test of ``pairs`` finds with ``power``."""
    limit = stats.t.ppf(1 - level / 2, pairs - 1)
    sizes = np.linspace(0.05, 4.0, 3951)
    found = 1 - stats.nct.cdf(limit, pairs - 1, sizes * np.sqrt(pairs))
    return float(sizes[int(np.argmax(found >= power))])


def lines(outcome: Outcome) -> Iterable[str]:
    """The evaluation as text."""
    a, b = outcome.arms
    yield f"gained from before to the next day, % of the lap: {a}, {b}, difference"
    for i, driver in enumerate(outcome.drivers):
        one, two = (100 * outcome.retained[arm][i] for arm in outcome.arms)
        yield f"  {driver:12s} {one:+6.2f} {two:+6.2f} {one - two:+6.2f}"
    yield (
        f"{a} less {b}: {100 * outcome.mean:+.2f} % of the lap (95 % interval {100 * outcome.low:+.2f} to "
        f"{100 * outcome.high:+.2f}), paired t p = {outcome.p_t:.3f}, signed ranks p = {outcome.p_rank:.3f}"
    )
    yield f"which arm came first made a difference: p = {outcome.p_order:.3f}"
    size = f"{outcome.smallest:.2f} deviations"
    yield f"so many drivers ({len(outcome.drivers)}) find a difference of {size} in four of five studies"


def main() -> int:
    """Print the plan, or the evaluation; 2 for a plan that can not be evaluated."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="what", required=True)
    made = commands.add_parser("plan")
    made.add_argument("--drivers", type=int, default=12)
    made.add_argument("--arms", nargs=2, choices=sorted(ARMS), default=["improving", "ask"])
    made.add_argument("--circuits", nargs=2, required=True, help="profiles of two circuits that are about as hard")
    commands.add_parser("evaluate").add_argument("plan", type=Path)
    given = parser.parse_args()
    if given.what == "plan":
        writer = csv.DictWriter(sys.stdout, COLUMNS)
        writer.writeheader()
        writer.writerows(rows(given.drivers, given.arms, given.circuits))
        return 0
    try:
        outcome = evaluate(retained(given.plan))
    except (CoachError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    print("\n".join(lines(outcome)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
