"""Where the scenarios are driven: a circuit with the profile a user has of it, and other cars and roads on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Final

import msgspec
import numpy as np
from bench_circuits import centre_line
from circuit_sets import DEVELOPMENT, LENGTHS, SEALED
from simulated import columns_of, frame_columns, match_corners

from coach.core.columns import Columns, Floats
from coach.core.track.reference import Reference
from coach.core.values import Caution, Corner
from coach.profile.store import load_plan
from coach.survey.survey import Survey, survey
from feeds.practice import (
    Circuit,
    FaultPlan,
    PracticeCar,
    Scatter,
    circuit_from_centre_line,
    faultless,
    hollow_ridge,
    simulate,
)
from feeds.practice.faultless import Faultless
from feeds.practice.racing_line import racing_line
from feeds.practice.simulate import Run

OPEN: Final = ("demo", *map(str, DEVELOPMENT))
"""Circuits for inspection during the work; nothing is tuned on them."""
QUICK: Final = ("demo", "12")
SEALED_TWO: Final = tuple(map(str, list(SEALED)[:2]))
RATE_HZ: Final = 20.0
HUMAN: Final = Scatter()
"""From lap to lap 2 m at the brake, 0.3 m/s in the middle, 0.15 m of line (common practice, no source)."""
EDGE_M: Final = 1.3
"""Half a car and the margin it keeps to the edge of the road."""


@dataclass(frozen=True, eq=False)
class Ground:
    """A circuit with its profile; ``match`` is profile corner name -> simulator corner."""

    name: str
    base: Faultless
    reference: Reference
    corners: tuple[Corner, ...]
    match: dict[str, int]

    def names(self, there: int) -> frozenset[str]:
        """The profile's names for a corner of the simulator."""
        return frozenset(name for name, i in self.match.items() if i == there)


@cache
def circuit_of(name: str) -> Circuit:
    """The demo circuit, or a seed of ``circuit_sets``."""
    if name == "demo":
        return hollow_ridge()
    seed = int(name)
    return circuit_from_centre_line(centre_line(seed, LENGTHS[seed], 10.0)[::5], name=f"generated {name}")


@cache
def ground(name: str) -> Ground:
    """The demo with its shipped profile; another circuit with the survey of six good laps and a few cautions."""
    base = variant(name)
    if name != "demo":
        return known_ground(name, survey(columns_of(simulate(base, 6, seed=3, scatter=Scatter(1.0, 0.1, 0.1)))))
    plan = load_plan("hollow_ridge")
    return _matched(name, plan.reference, plan.corners)


def known_ground(name: str, found: Survey) -> Ground:
    """A circuit with a profile that was surveyed, and a few cautions."""
    return _matched(name, found.reference, tuple(_noted(c, i) for i, c in enumerate(found.corners)))


def _matched(name: str, reference: Reference, corners: tuple[Corner, ...]) -> Ground:
    base = variant(name)
    match = match_corners(base, corners, reference) | _inside(base, corners, reference)
    return Ground(name, base, reference, corners, {corners[i].name: there for i, there in match.items()})


def _noted(corner: Corner, i: int) -> Corner:
    """The notes a person adds: a bump here, a track limit there; they take room from the corrections."""
    cautions: tuple[Caution, ...] = ()
    if i % 4 == 1:
        cautions = (Caution("bump", corner.turn_in_m - 5.0, "bump on entry", safety=True),)
    if i % 4 == 3:
        cautions = (Caution("track_limit", corner.exit_m, "track limits on exit"),)
    return msgspec.structs.replace(corner, say=f"turn {i + 1}", cautions=cautions)


def _inside(base: Faultless, corners: tuple[Corner, ...], reference: Reference) -> dict[int, int]:
    """Profile corners that hold one apex of the simulator and no other: a long corner's own apex may lie elsewhere."""
    longer = base.circuit.length_m / reference.length_m
    out = {}
    for i, c in enumerate(corners):
        held = [a.index for a in base.corners if longer * c.turn_in_m <= a.apex_m <= longer * c.end_m]
        if len(held) == 1:
            out[i] = held[0]
    return out


@cache
def line_of(name: str, road: float = 1.0) -> Floats:
    """The faultless line [m beside the middle] when only the share ``road`` of the usable width is used."""
    circuit = circuit_of(name)
    left, right = ((width - EDGE_M) * road + EDGE_M for width in (circuit.left_m, circuit.right_m))
    return racing_line(replace(circuit, left_m=left, right_m=right))


@cache
def variant(name: str, car: PracticeCar | None = None, road: float = 1.0) -> Faultless:
    """The circuit driven at the limit of ``car`` on the share ``road`` of its width."""
    return faultless(circuit_of(name), car, line_of(name, road))


def counterpart(base: Faultless, other: Faultless, corner: int) -> int:
    """The corner of ``other`` that is ``corner`` of ``base``: the nearest apex."""
    length = base.circuit.length_m
    gaps = [abs((c.apex_m - base.corners[corner].apex_m + length / 2) % length - length / 2) for c in other.corners]
    return int(np.argmin(gaps))


@dataclass(eq=False)
class Drive:
    """A drive: channels (n,) by Frame field, and the start time [s] of each lap."""

    channels: dict[str, Floats]
    lap_start: dict[int, float]

    def columns(self) -> Columns:
        """As a session holds it."""
        return frame_columns(self.channels)

    def driven(self, length_m: float) -> Floats:
        """How far the car has come at each frame [laps]."""
        return self.channels["lap"] + self.channels["lap_distance_m"] / length_m


def drive(
    base: Faultless | Callable[[int], Faultless],
    laps: int,
    seed: int,
    faults: FaultPlan | None = None,
    scatter: Scatter = HUMAN,
    out_lap_m: float = 500.0,
) -> Drive:
    """``laps`` laps after a short out-lap; where ``base`` is a function, it gives the car and road of each lap.

    They change on the longest straight. The corners stay those of lap 0, so that the scatter is the same driver's.
    """
    first = base(0) if callable(base) else base
    run = Run(first, rate_hz=RATE_HZ, seed=seed, plan=faults, scatter=scatter, out_lap_m=out_lap_m)
    parts, starts, lap = [], {}, 0
    while laps + 1 not in starts:
        if callable(base):
            now = replace(base(lap), corners=first.corners)
            run.base = run.planner.base = run.sampler.base = now
        _, sampled = run.advance()
        parts.append(sampled.channels)
        starts.update(sampled.crossings)
        lap += 1
    channels = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    keep = channels["t_s"] < starts[laps + 1] + 0.5
    return Drive({name: values[keep] for name, values in channels.items()}, starts)
