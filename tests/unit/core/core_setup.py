"""Simulated sessions and a surveyed profile for the tests of the core; made once per process."""

from __future__ import annotations

import math
import sys
from functools import cache
from pathlib import Path

import msgspec
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))

from itertools import pairwise

from simulated import columns_of

from coach.core.columns import Columns
from coach.core.cue.rules import CueRule, RuleSet
from coach.core.pipeline import Events, Pipeline
from coach.core.track.reference import Reference
from coach.core.values import Caution, Corner, Finding
from coach.profile.rule_files import load_rules
from coach.survey.survey import survey
from feeds.practice import FaultPlan, Habit, Noise, Scatter, faultless, hollow_ridge, simulate

FAULTS = FaultPlan.of(
    Habit(0, "brake_early", 20.0, spread=2.0),
    Habit(3, "throttle_late", 15.0),
    Habit(8, "slow_middle", 2.5),
    Habit(9, "brake_soft", 0.3),
)


@cache
def plan() -> tuple[Reference, tuple[Corner, ...]]:
    """Reference and corners of the practice circuit, with boards, gears, words and cautions."""
    run = simulate(faultless(hollow_ridge()), 4, rate_hz=30.0, seed=3, scatter=Scatter(1.0, 0.1, 0.1))
    found = survey(columns_of(run), circuit="test")
    corners = tuple(
        msgspec.structs.replace(
            c,
            say=f"turn {i + 1}",
            cautions=(Caution("bump", c.turn_in_m - 5.0, "bump on entry", safety=True),) if i % 4 == 1 else (),
        )
        for i, c in enumerate(found.corners)
    )
    return found.reference, corners


@cache
def session(laps: int = 2, rate_hz: float = 20.0, noisy: bool = False) -> Columns:
    """A session with faults, as it is recorded."""
    noise = Noise(position_m=0.3, speed_mps=0.1, loss=0.05, duplicates=0.02, reorder=3) if noisy else None
    run = simulate(
        faultless(hollow_ridge()), laps, rate_hz=rate_hz, seed=7, faults=FAULTS, scatter=Scatter(), noise=noise
    )
    return columns_of(run)


def mixed_rules() -> RuleSet:
    """Reminders, corrections, cautions and confirmations in one set, so that all of them compete."""
    rules: dict[str, CueRule] = {}
    for name in ("first_laps", "improving"):
        for rule in load_rules(name).rules:
            rules.setdefault(rule.name, msgspec.structs.replace(rule, seen=1, of_last=1))
    return RuleSet("mixed", "improving", tuple(rules.values()), cues_per_lap=20, corners_in_work=4)


def pipeline(rules: RuleSet | None = None) -> Pipeline:
    """A fresh one."""
    reference, corners = plan()
    return Pipeline(reference, corners, rules if rules is not None else mixed_rules())


def run_chunks(columns: Columns, cuts: list[int], rules: RuleSet | None = None) -> tuple[Events, Pipeline]:
    """All frames in the chunks that ``cuts`` make, then the end of the session."""
    p = pipeline(rules)
    happened = Events()
    edges = [0, *sorted(set(cuts)), len(columns)]
    for a, b in pairwise(edges):
        happened.add(p.push_columns(columns.part(a, b)))
    happened.add(p.finish())
    return happened, p


def plain(value: object) -> object:
    """A value with NaN as text, so that equality means what it says."""
    if isinstance(value, float) and math.isnan(value):
        return "nan"
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, msgspec.Struct):
        return plain(msgspec.structs.asdict(value))
    return value


def same(happened: Events) -> list[object]:
    """Everything that happened, comparable."""
    return [plain(part) for part in (happened.decisions, happened.passes, happened.laps, happened.phases)]


def corner(name: str = "A", at_m: float = 500.0, **changes: object) -> Corner:
    """A made-up left-hander with its brake point 100 m before turn-in at ``at_m``."""
    fields: dict[str, object] = {
        "name": name, "direction": "left", "brake_m": at_m - 100.0, "turn_in_m": at_m, "apex_m": at_m + 30.0,
        "exit_m": at_m + 60.0, "end_m": at_m + 80.0, "boards_m": (150.0, 100.0, 50.0), "gear": 2, "apex": "late",
    }  # fmt: skip
    return Corner(**{**fields, **changes})  # type: ignore[arg-type]


def ring(length_m: int = 2000, speed_mps: float = 50.0, closed: bool = True) -> Reference:
    """A circle (or a straight, when not closed) driven at one speed, nodes every metre."""
    n = length_m if closed else length_m + 1
    s = np.arange(n, dtype=np.float64)
    nan = np.full(n, np.nan)
    radius = length_m / (2 * np.pi)
    phi = s / radius
    if closed:
        x, y, heading = radius * np.cos(phi), radius * np.sin(phi), phi + np.pi / 2
        curvature = np.full(n, 1.0 / radius)
    else:
        x, y, heading, curvature = s.copy(), np.zeros(n), np.zeros(n), np.zeros(n)
    return Reference(
        "ring", closed, 1.0, float(length_m), length_m / speed_mps, s / speed_mps, x, y, np.zeros(n), heading,
        curvature, np.full(n, speed_mps), np.full(n, 0.5), np.zeros(n), np.full(n, 4.0), nan, nan,
    )  # fmt: skip


def rule(name: str, family: str = "correction", about: str = "brake_early", **changes: object) -> CueRule:
    """A rule with short texts."""
    slot = "straight" if family == "confirmation" else "approach"
    fields: dict[str, object] = {
        "name": name, "family": family, "about": about, "slot": slot, "long": f"{name} in long words", "short": name,
    }  # fmt: skip
    return CueRule(**{**fields, **changes})  # type: ignore[arg-type]


def finding(fault: str = "brake_early", amount: float = 10.0, cost_s: float = 0.1) -> Finding:
    """One finding."""
    return Finding(fault, amount, "m", cost_s)  # type: ignore[arg-type]
