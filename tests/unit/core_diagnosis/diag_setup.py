"""A hand-made circuit, a plain car on it with every fault, and its diagnosis; made once per process."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))

from plain_sim import PlainSim, PlainTruth
from scipy.ndimage import gaussian_filter1d

from coach.app.rerun.rerun import rerun, settle_findings
from coach.app.setup import Setup
from coach.core.cue.rules import RuleSet
from coach.core.measure.passes import CornerReference, PassRecord
from coach.core.track.car import Car, car_of
from coach.core.track.zones import zones
from coach.core.values import Pass
from coach.survey.survey import survey

# metres between which each fault is driven: enough to cost a tenth or two
DRIVEN = {
    "brake_early": (16.0, 24.0),
    "brake_late": (14.0, 14.0),
    "brake_soft": (0.3, 0.4),
    "brake_long": (18.0, 24.0),
    "turn_in_early": (15.0, 17.0),
    "turn_in_late": (12.0, 15.0),
    "apex_missed": (2.0, 2.5),
    "slow_middle": (2.0, 3.0),
    "coasting": (30.0, 35.0),
    "throttle_late": (22.0, 28.0),
    "throttle_soft": (0.4, 0.5),
    "exit_narrow": (2.5, 3.5),
    "exit_wide": (2.0, 2.5),
    "gear_high": (1.0, 1.0),
    "gear_low": (1.0, 1.0),
}
CLEAN_LAPS = 6


def track() -> tuple[np.ndarray, np.ndarray]:
    """Three corners on 1.9 km: a stadium with one end pinched, straights long enough to settle on."""
    corners = [(0.0, 0.0, 45.0), (620.0, 0.0, 38.0), (300.0, 430.0, 30.0)]
    p = np.array([c[:2] for c in corners])
    parts = []
    for k in range(3):
        a, b, c, r = p[k - 1], p[k], p[(k + 1) % 3], corners[k][2]
        u, w = (b - a) / np.hypot(*(b - a)), (c - b) / np.hypot(*(c - b))
        turn = float(np.arctan2(u[0] * w[1] - u[1] * w[0], u @ w))
        cut = r * np.tan(abs(turn) / 2.0)
        normal = np.array([-u[1], u[0]]) * np.sign(turn)
        into, centre = b - u * cut, b - u * cut + normal * r
        phi = np.linspace(0.0, turn, 60)[:, None]
        arm = into - centre
        arc = centre + np.hstack(
            [arm[0] * np.cos(phi) - arm[1] * np.sin(phi), arm[0] * np.sin(phi) + arm[1] * np.cos(phi)]
        )
        before = p[k - 1] + (into - p[k - 1]) * np.linspace(0.35, 1.0, 400, endpoint=False)[:, None]
        parts += [before, arc]
    line = np.vstack(parts)
    closed = np.vstack([line, line[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.arange(0.0, s[-1], 1.0)
    # no road has a kink in its curvature
    x, y = (gaussian_filter1d(np.interp(at, s, closed[:, i]), 8.0, mode="wrap") for i in (0, 1))
    return x, y


@dataclass
class Session:
    """Drives and findings, pass by pass; ``hits`` maps a pass's number to its driven fault."""

    passes: list[Pass]
    driven: list[PassRecord]
    hits: dict[int, PlainTruth]
    ground: tuple[tuple[CornerReference, ...], Car]


@cache
def sim() -> PlainSim:
    """The plain car on the circuit."""
    return PlainSim(*track())


def _driven(faults: dict[int, list[tuple[int, str, float, bool]]], noise: bool, scatter: float) -> Session:
    laps = max(faults, default=CLEAN_LAPS) + 2
    columns, truth = sim().run(faults, laps, 50.0, 1, scatter, (0.3, 0.1) if noise else (0.0, 0.0))
    first = min((t.t_s for t in truth), default=float("inf"))
    found = survey(columns, circuit="hand-made")
    # a fault in the reference itself would be no one's mistake
    best = min((k for k in found.laps if k.valid and k.t_s + k.time_s < first - 5.0), key=lambda k: k.time_s)
    found = survey(columns, circuit="hand-made", reference_lap=best.number)
    result = rerun([columns], Setup("hand-made", found.reference, found.corners, RuleSet("none", "improving", ())))
    passes, driven = settle_findings(result), result.pipeline.kept or []
    at = np.array([d.trace.at("t_s", d.zone.apex_m) if d.trace is not None else np.inf for d in driven])
    hits = {int(np.argmin(np.abs(at - t.t_s))): t for t in truth}
    places = zones(found.corners, found.reference.length_m, found.reference.closed)
    references = tuple(CornerReference(found.reference, zone) for zone in places)
    return Session(passes, driven, hits, (references, car_of(found.reference)))


@cache
def faultless_session(noise: bool = False) -> Session:
    """Laps with a driver's scatter and no fault."""
    return _driven({CLEAN_LAPS + 9: []}, noise, 0.7)


@cache
def every_fault(noise: bool = False) -> Session:
    """One session with each fault at two corners, on every other lap after the faultless ones."""
    car = sim()
    rng = np.random.default_rng(6)
    faults: dict[int, list[tuple[int, str, float, bool]]] = {}
    for k, (fault, (low, high)) in enumerate((f, r) for f, r in DRIVEN.items() for _ in range(2)):
        faults[CLEAN_LAPS + k] = [(k % len(car.corners), fault, float(rng.uniform(low, high)), False)]
    return _driven(faults, noise, 0.5)
