"""Drivers and circuits of the closed loop: kinds of drivers, circuits with a perfect or a human reference."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from scenario_ground import Ground, known_ground
from scenario_ground import ground as perfect_ground
from simulated import columns_of

from coach.survey.survey import survey
from feeds.practice import FaultPlan, Habit, Scatter, applies, simulate
from feeds.practice.faultless import Faultless

__all__ = ["Ground", "ground", "habits_of", "kind_of"]

HABITS: tuple[tuple[str, float], ...] = (
    ("brake_early", 18.0), ("brake_soft", 0.25), ("brake_long", 18.0), ("brake_late", 8.0), ("turn_in_early", 10.0),
    ("turn_in_late", 8.0), ("apex_missed", 1.6), ("slow_middle", 2.8), ("coasting", 22.0), ("throttle_late", 18.0),
    ("throttle_soft", 0.3), ("exit_narrow", 1.8), ("exit_wide", 1.0),
)  # fmt: skip
"""Faults of a middling driver and how large they are (common practice, no source)."""
ODD: tuple[tuple[str, float], ...] = (("lift", 60.0), ("two_stabs", 15.0), ("wavering", 0.25))
"""Faults for which the coach has no name."""
FAULTY = 0.6
"""Share of the corners that have one."""
ODD_SHARE = 0.4
KINDS = ("usual", "three a corner", "usual", "odd")
"""The kind of driver by seed, in turn."""
PERSON = "-person"
"""Ends the name of a circuit whose reference a person drove: a good lap with faults of its own."""
PERSONS_FAULTY, PERSONS_SIZE = 0.4, 0.6


def kind_of(seed: int) -> str:
    """usual: one fault at most of the corners; three a corner; odd: two in five without a name."""
    return KINDS[(seed - 1) % len(KINDS)]


@cache
def ground(circuit: str) -> Ground:
    """A circuit with its profile; with a person's reference the profile is surveyed from that person's laps."""
    place = perfect_ground(circuit.removesuffix(PERSON))
    if not circuit.endswith(PERSON):
        return place
    rng = np.random.default_rng(41)
    habits = [replace(h, amount=PERSONS_SIZE * h.amount) for h in _one_each(place.base, rng, PERSONS_FAULTY, HABITS)]
    driven = simulate(place.base, 6, seed=3, scatter=Scatter(), faults=FaultPlan(tuple(habits)))
    return known_ground(place.name, survey(columns_of(driven), circuit=circuit))


def habits_of(base: Faultless, seed: int) -> tuple[Habit, ...]:
    """The driver of a seed: each habit 0.7 to 1.3 times the usual size."""
    rng = np.random.default_rng([seed, 5])
    kind = kind_of(seed)
    if kind == "three a corner":
        return tuple(h for corner in base.corners if rng.random() < FAULTY for h in _three(base, corner.index, rng))
    out = _one_each(base, rng, FAULTY, HABITS)
    if kind == "odd":
        for i, habit in enumerate(out):
            fits = [f for f in ODD if applies(base, int(habit.corner), f[0])]
            if rng.random() < ODD_SHARE:
                out[i] = _habit(int(habit.corner), fits[int(rng.integers(len(fits)))], rng)
    return tuple(out)


def _one_each(
    base: Faultless, rng: np.random.Generator, share: float, faults: tuple[tuple[str, float], ...]
) -> list[Habit]:
    out = []
    for corner in base.corners:
        fits = [f for f in faults if applies(base, corner.index, f[0])]
        habit = _habit(corner.index, fits[int(rng.integers(len(fits)))], rng)
        if rng.random() < share:
            out.append(habit)
    return out


def _three(base: Faultless, corner: int, rng: np.random.Generator) -> list[Habit]:
    fits = [f for f in HABITS if applies(base, corner, f[0])]
    return [_habit(corner, fits[k], rng) for k in rng.permutation(len(fits))[:3].tolist()]


def _habit(corner: int, kind: tuple[str, float], rng: np.random.Generator) -> Habit:
    fault, amount = kind
    return Habit(corner, fault, float(rng.uniform(0.7, 1.3)) * amount, spread=0.12 * amount)
