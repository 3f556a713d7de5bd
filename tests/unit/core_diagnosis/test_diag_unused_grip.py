"""Unused grip: a pass at the reachable lap's speed except in one phase, whose fault is found."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import msgspec
import numpy as np
import pytest
from simulated import columns_of

from coach.core.columns import Columns, Floats
from coach.core.diagnose.judging import Judged
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.diagnose.unused_grip import FAULTS, UnusedGrip
from coach.core.diagnose.vetoes import nothing_ruled_out
from coach.core.measure.grip_use import phase_places
from coach.core.measure.passes import PassRecord
from coach.core.pipeline import Pipeline
from coach.core.track.reference import Reference
from coach.core.track.road import road_of
from coach.core.track.speed_profile import speed_profile
from coach.core.track.zones import zones
from coach.core.values import Corner, Finding
from coach.profile.rule_files import load_rules
from coach.survey import survey
from coach.survey.envelope.reachable import reach_of, reachable_reference
from feeds.practice import hollow_ridge, simulate

CORNER = 3


@cache
def reachable() -> tuple[Reference, tuple[Corner, ...]]:
    """The reachable lap of some laps on the practice circuit, and its corners."""
    found = survey(columns_of(simulate(hollow_ridge(), 6, seed=4)), circuit="test")
    reach = reach_of(found)
    assert reach is not None
    return reachable_reference(found.reference, reach), found.corners


def driven_at(speed: Floats, laps: int = 3, then: int = 0) -> Columns:
    """Some laps on the reference's line at a speed (n,) at its nodes, with pedals to match, ``then`` some at the
    reachable speed.
    """
    ref, _ = reachable()
    v = np.concatenate([np.tile(speed, laps), np.tile(ref.speed_mps, then)])
    laps += then
    step = ref.step_m
    # nodes of a reachable lap are not a step apart
    way = np.hypot(ref.x_m - np.roll(ref.x_m, -1), ref.y_m - np.roll(ref.y_m, -1))
    t = np.concatenate([[0.0], np.cumsum(2.0 * np.tile(way, laps)[:-1] / (v[1:] + v[:-1]))])
    accel = np.gradient(v * v / 2.0, step)
    at = np.arange(0.0, t[-1], 1.0 / 60.0)
    out = Columns.empty(len(at))
    rows = {
        "x_m": np.tile(ref.x_m, laps), "y_m": np.tile(ref.y_m, laps), "z_m": np.tile(ref.z_m, laps), "speed_mps": v,
        "throttle": np.clip(accel / 4.0, 0.0, 1.0), "brake": np.clip(-(accel + 1.5) / 10.0, 0.0, 1.0),
        "gear": np.tile(ref.gear, laps),
    }  # fmt: skip
    for name, values in rows.items():
        out[name][:] = np.interp(at, t, values)
    out["t_s"][:] = at
    return out


def run(columns: Columns) -> tuple[list[PassRecord], list[Judged], tuple[tuple[Finding, ...], ...]]:
    """The passes of the corner, their judgement and findings."""
    pipeline = Pipeline(*reachable(), load_rules("improving"))
    pipeline.kept = []
    events = [pipeline.push_columns(columns), pipeline.finish()]
    of = [i for i, d in enumerate(pipeline.kept) if d.corner == CORNER and d.whole]
    found = tuple(p.findings for e in events for p in e.passes if p.corner == CORNER)
    return [pipeline.kept[i] for i in of], [pipeline.judged[i] for i in of], found


def searched(columns: Columns) -> list[tuple[Finding, ...]]:
    """The unused grip of the corner's passes, whatever else is found there."""
    passes, judged, _ = run(columns)
    unused = judged[-1].unused
    assert isinstance(unused, UnusedGrip)
    return [unused.find(one, ToleranceModel(), nothing_ruled_out) for one in passes]


def slower_in(phase: str, share: float, corner: int = CORNER) -> Floats:
    """The reachable speed of a driver who does only one phase at a share of it."""
    ref, corners = reachable()
    zone = zones(corners, ref.length_m, ref.closed)[corner]
    shown = ref.shown
    assert shown is not None
    road, envelope = road_of(ref), shown.envelope
    low, high = phase_places(zone, zone.start_m)[phase]
    u = np.arange(len(ref)) * ref.step_m
    inside = (u >= low) & (u <= high)
    if phase in ("braking", "exit"):
        # weaker brakes or a weaker engine, up to where the phase ends
        assert envelope.brake is not None
        most = share * envelope.brake.base_mps2
        weak = msgspec.structs.replace(envelope, brake=msgspec.structs.replace(envelope.brake, most_mps2=most))
        if phase == "exit":
            weak = msgspec.structs.replace(envelope, power_wpkg=share * (envelope.power_wpkg or 0.0))
        slow = speed_profile(road, weak)
        cap = np.where(inside, np.minimum(slow, ref.speed_mps), 1e3)
    else:
        cap = np.where(inside, share * ref.speed_mps, 1e3)
    return speed_profile(road, envelope, cap=cap)


def test_the_reachable_lap_leaves_no_grip() -> None:
    """Its own speed has no headroom."""
    assert [()] == list(dict.fromkeys(searched(driven_at(reachable()[0].speed_mps))))


@pytest.mark.parametrize(("phase", "share"), [("braking", 0.75), ("entry", 0.88), ("middle", 0.92), ("exit", 0.4)])
def test_the_phase_that_is_slower_is_named(phase: str, share: float) -> None:
    """Slower in one phase alone: its fault, with a share of grip between nothing and all, at a cost of the loss."""
    for found in searched(driven_at(slower_in(phase, share)))[1:]:
        assert [FAULTS[phase]] == [f.fault for f in found]
        assert 0.0 < found[0].amount < 1.0
        assert 0.025 <= found[0].cost_s


def test_another_fault_comes_first() -> None:
    """Where the diagnosis names a cause, unused grip is not named beside it."""
    _, _, findings = run(driven_at(slower_in("middle", 0.85)))
    assert findings
    assert not [f.fault for found in findings if len(found) > 1 for f in found if f.fault in FAULTS.values()]


def test_nothing_is_said_where_it_is_ruled_out_or_the_path_is_another() -> None:
    """Today's grip used up, a position too noisy, or a path beside the reference's: no advice for more."""
    passes, judged, _ = run(driven_at(slower_in("middle", 0.92)))
    unused, one = judged[-1].unused, passes[-1]
    assert unused is not None
    assert one.trace is not None
    tolerance = ToleranceModel()
    assert unused.find(one, tolerance, nothing_ruled_out)
    assert () == unused.find(one, tolerance, lambda fault, amount: True)
    noisy = replace(one, trace=replace(one.trace, place_noise_m=0.2))
    assert () == unused.find(noisy, tolerance, nothing_ruled_out)
    beside = replace(one, gaps=one.gaps | {"apex_line_m": 1.5})
    assert () == unused.find(beside, tolerance, nothing_ruled_out)
    unknown = replace(one, measures=one.measures | {f"grip_use_{p}": float("nan") for p in FAULTS})
    assert () == unused.find(unknown, tolerance, nothing_ruled_out)


def test_only_a_reachable_lap_has_it() -> None:
    """Against a driven lap, and while the condition is not settled, nothing is found."""
    ref, corners = reachable()
    assert ref.shown is not None
    driven = replace(ref, shown=msgspec.structs.replace(ref.shown, reachable=False))
    pipeline = Pipeline(driven, corners, load_rules("improving"))
    pipeline.kept = []
    pipeline.push_columns(driven_at(slower_in("middle", 0.92)))
    pipeline.finish()
    assert all(one.unused is None for one in pipeline.judged)
    _, judged, _ = run(driven_at(slower_in("middle", 0.92)))
    assert () == judged[-1].unsettled().findings(ToleranceModel())
    assert (
        set(FAULTS.values()) <= replace(judged[-1], today=msgspec.structs.replace(judged[-1].today, grip=0.9)).resting
    )


@pytest.mark.parametrize(
    ("phase", "share", "corner", "laps"),
    [("braking", 0.9, 3, 6), ("entry", 0.95, 9, 3), ("middle", 0.97, 3, 6), ("exit", 0.6, 9, 6)],
)
def test_a_cue_asks_for_the_grip_unless_a_limit_forbids_it(phase: str, share: float, corner: int, laps: int) -> None:
    """The rule set that ships says it on the approach, holds it when it is known, and confirms the cure; at a corner
    without road to spare it never asks for more speed or power.
    """
    ref, corners = reachable()
    columns = driven_at(slower_in(phase, share, corner), laps, 6)
    bounded = tuple(msgspec.structs.replace(c, widest_exit_offset_m=0.0) for c in corners)
    shipped = load_rules("improving")
    # the softest braking that is no other fault costs less than what is worth a cue
    eager = tuple(
        msgspec.structs.replace(r, min_cost_s=0.03) if r.about in FAULTS.values() else r for r in shipped.rules
    )
    outcomes = []
    for some in (corners, bounded):
        pipeline = Pipeline(ref, some, msgspec.structs.replace(shipped, rules=eager))
        events = [pipeline.push_columns(columns), pipeline.finish()]
        there = [d for e in events for d in e.decisions if d.fault == FAULTS[phase]]
        outcomes.append({(d.family, d.outcome) for d in there if d.corner == corners[corner].name})
    assert {("correction", "spoken"), ("correction", "held")} <= outcomes[0]
    # no praise for four hundredths
    assert (("confirmation", "spoken") in outcomes[0]) == (phase != "braking")
    assert (("correction", "spoken") in outcomes[1]) == (phase in ("braking", "entry"))
    assert ("correction", "held") in outcomes[1]
