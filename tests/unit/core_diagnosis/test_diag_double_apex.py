"""A bend with two apexes and only a lift between: a fault at one of them is found, and named with that one."""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

import diag_setup  # noqa: F401 - puts the tools on the path
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "survey"))

from double_apex import is_faulty, session

from coach.app.rerun.rerun import Rerun, rerun, settle_findings
from coach.app.review.debrief import debrief
from coach.app.setup import Setup
from coach.core.cue.rules import RuleSet
from coach.core.diagnose.advice import to_do, what
from coach.core.values import Finding
from coach.survey.survey import survey

UNSEEN = (9, 10, 11)
"""Circuits that nothing was tuned on."""


@cache
def driven(seed: int, fault: str, which: int, rate_hz: float = 60.0, noise: float = 0.0) -> tuple[Rerun, Setup]:
    columns, _ = session(seed, fault, which, rate_hz, noise)
    laps = [lap for lap in survey(columns).laps if lap.valid and not is_faulty(lap.number)]
    found = survey(columns, reference_lap=min(laps, key=lambda lap: lap.time_s).number)
    setup = Setup("double", found.reference, found.corners, RuleSet("none", "improving", ()))
    return rerun([columns], setup), setup


def findings(result: Rerun) -> list[tuple[int, int, Finding]]:
    return [(p.lap, p.corner, f) for p in settle_findings(result) for f in p.findings]


@pytest.mark.parametrize("seed", UNSEEN)
@pytest.mark.parametrize("which", [1, 2])
@pytest.mark.parametrize("fault", ["slow_middle", "apex_missed"])
def test_a_fault_at_one_apex_is_named_with_it(seed: int, fault: str, which: int) -> None:
    """All findings lie in faulty laps at corners with two apexes; each names the fault and the apex that was driven.

    A slow apex is found in every faulty lap; a missed one costs little, it is found in one at least.
    """
    result, setup = driven(seed, fault, which)
    doubles = {i for i, corner in enumerate(setup.corners) if corner.more_apexes_m}
    found = findings(result)
    assert {(f.fault, f.apex) for _, _, f in found} == {(fault, which)}
    assert {corner for _, corner, _ in found} <= doubles
    laps = {lap for lap, _, _ in found}
    assert all(is_faulty(lap) for lap in laps)
    assert fault == "apex_missed" or laps == {7, 9, 11}
    assert {(g.fault, g.apex) for g in debrief(result, setup).gains} == {(fault, which)}


@pytest.mark.parametrize("which", [1, 2])
def test_a_receiver_with_noise_names_the_same_apex(which: int) -> None:
    """At 10 Hz with 0.3 m and 0.1 m/s of noise: each slow apex that is found at all is the right one, one at least."""
    found = [f for seed in UNSEEN for _, _, f in findings(driven(seed, "slow_middle", which, 10.0, 0.3)[0])]
    assert {f.apex for f in found if f.fault == "slow_middle"} == {which}


def test_each_apex_has_measures_of_its_own() -> None:
    """The lowest speed lies nearer to its apex than to the other; a corner with one apex has none of these."""
    result, setup = driven(9, "slow_middle", 1)
    for passed in result.events.passes:
        corner = setup.corners[passed.corner]
        for n, place in enumerate(corner.apexes_m, start=1):
            at = passed.measures.get(f"apex_{n}_speed_at_m")
            if not corner.more_apexes_m:
                assert at is None
                continue
            assert at is not None
            assert min(corner.apexes_m, key=lambda apex: abs(apex - at)) == place
            assert passed.measures[f"apex_{n}_speed_mps"] >= passed.measures["min_speed_mps"] - 1e-9
            assert abs(passed.measures[f"apex_{n}_offset_m"]) < 4.0


def test_a_person_is_told_which_apex() -> None:
    assert what("slow_middle", 2.0, apex=2) == "slow by 7 km/h at the second apex"
    assert to_do("apex_missed", 1.0, apex=1) == "clip the first apex, 1.0 m closer"
    assert what("slow_middle", 2.0) == "slow mid-corner by 7 km/h"
