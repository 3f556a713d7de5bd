"""Every fault is found for what it is, at its size and its cost, and nothing else is.

The truth comes from ``plain_sim``, a simulator that shares nothing with the product: what a fault cost is the lap
solved with it less the same lap solved without it.
"""

from __future__ import annotations

import numpy as np
import pytest
from diag_setup import DRIVEN, Session, every_fault, faultless_session

from coach.core.diagnose import Diagnosis
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.measure.passes import CornerReference
from coach.core.values import Finding

COSTLY_S = 0.06
AMOUNT = {"slow_middle": 2.0 / 3.6, "brake_soft": 0.08, "throttle_soft": 0.15, "gear_high": 0.1, "gear_low": 0.1}
"""2 km/h for speeds, 3 m for places (else); shares and gears as closely as they can be told."""


@pytest.mark.parametrize("noise", [False, True], ids=["clean", "noisy"])
@pytest.mark.parametrize("fault", sorted(DRIVEN))
def test_fault_is_found_for_what_it_is(fault: str, noise: bool) -> None:
    """One finding per faulty pass: the right fault, amount within 3 m or 2 km/h, cost within 20 % (or 15 ms)."""
    session = every_fault(noise)
    found = [(t, session.passes[i]) for i, t in session.hits.items() if t.fault == fault and t.cost_s > COSTLY_S]
    assert found, f"no pass in which {fault} cost more than {COSTLY_S} s"
    for truth, passed in found:
        assert [fault] == [f.fault for f in passed.findings]
        finding = passed.findings[0]
        off = AMOUNT.get(fault, 3.0)
        assert finding.amount == pytest.approx(truth.amount, abs=off)
        assert finding.cost_s == pytest.approx(truth.cost_s, rel=0.2, abs=0.015)


@pytest.mark.parametrize("noise", [False, True], ids=["clean", "noisy"])
def test_faultless_laps_are_left_alone(noise: bool) -> None:
    """A driver's scatter is no fault: nothing is reported on laps without one."""
    session = faultless_session(noise)
    assert len(session.passes) > 40
    assert [] == [(p.lap, p.corner, f.fault) for p in session.passes for f in p.findings]


@pytest.mark.parametrize("noise", [False, True], ids=["clean", "noisy"])
def test_the_next_corner_is_not_blamed(noise: bool) -> None:
    """Passes without a fault among faulty laps, those right after a fault included, have no finding."""
    session = every_fault(noise)
    blamed = [
        (p.lap, p.corner, f.fault) for i, p in enumerate(session.passes) if i not in session.hits for f in p.findings
    ]
    assert [] == blamed


@pytest.mark.parametrize("noise", [False, True], ids=["clean", "noisy"])
def test_costs_never_exceed_the_loss(noise: bool) -> None:
    """The costs of a pass add up to at most 1.1 of what it lost, and each is positive."""
    for session in (every_fault(noise), faultless_session(noise)):
        for passed in session.passes:
            costs = [f.cost_s for f in passed.findings]
            assert all(c > 0.0 for c in costs)
            assert sum(costs) <= 1.1 * max(passed.loss_s + passed.loss_straight_s, 0.0) + 1e-9


def test_losses_of_the_parts_add_up() -> None:
    """Entry, middle, exit and straight of all passes add up to the time between the first and the last of them."""
    session = every_fault()
    for driven, passed in zip(session.driven, session.passes, strict=True):
        parts = (passed.loss_entry_s, passed.loss_middle_s, passed.loss_exit_s, passed.loss_straight_s)
        assert sum(parts) == pytest.approx(driven.total_s, abs=1e-9)


def _again(session: Session, fault: str, **gaps: float) -> tuple[Finding, ...]:
    """The finding of the first pass with ``fault`` when judged alone, with some gaps replaced."""
    from dataclasses import replace

    i = next(i for i, t in session.hits.items() if t.fault == fault and t.cost_s > COSTLY_S)
    driven = session.driven[i]
    assert driven.trace is not None
    # a channel that is absent is absent from the stretches too
    changed = replace(driven, gaps={**driven.gaps, **gaps}, profile=None if gaps else driven.profile)
    references, car = session.ground
    return Diagnosis(references, car).findings(changed, ToleranceModel())


@pytest.mark.parametrize(
    ("fault", "channels"),
    [
        ("brake_early", ("brake_start_m", "brake_peak", "brake_release_m")),
        ("throttle_late", ("drive_late_m", "drive_share", "idle_before_m", "idle_after_m")),
        ("exit_narrow", ("entry_line_m", "apex_line_m", "exit_line_m")),
        ("gear_high", ("gear_min", "gear_mean")),
    ],
)
def test_a_fault_whose_channel_is_absent_is_not_reported(fault: str, channels: tuple[str, ...]) -> None:
    """Without the gaps a fault rests on, that fault is not among the findings; with them it is."""
    session = every_fault()
    assert fault in [f.fault for f in _again(session, fault)]
    absent = dict.fromkeys(channels, float("nan"))
    assert fault not in [f.fault for f in _again(session, fault, **absent)]


def test_advice_is_a_step_the_car_has_in_hand() -> None:
    """Metres advised for early braking: more than nothing, at most 5 m, never more than the pass was early."""
    session = every_fault()
    found = [f for p in session.passes for f in p.findings if f.fault == "brake_early"]
    assert found
    for finding in found:
        assert 0.0 <= finding.evidence["metres"] <= min(5.0, finding.amount + 1e-9)
    assert max(f.evidence["metres"] for f in found) > 0.0


def test_findings_name_their_evidence() -> None:
    """Every finding carries finite numbers it rests on."""
    for passed in every_fault().passes:
        for finding in passed.findings:
            assert finding.evidence
            assert np.isfinite(list(finding.evidence.values())).all()


def test_references_measure_themselves() -> None:
    """A corner's reference keeps its measures and the slope of its braking zone."""
    for reference in every_fault().ground[0]:
        assert isinstance(reference, CornerReference)
        assert reference.measures["min_speed_mps"] > 5.0
        assert reference.slope == 0.0
