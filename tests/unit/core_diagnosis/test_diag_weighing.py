"""Simulated faults: nothing changed is the reference, each is found again, and each costs what kinematics says."""

from __future__ import annotations

import numpy as np
import pytest
from diag_setup import every_fault

from coach.core.diagnose.belief import MODEL
from coach.core.diagnose.explain import Explainer
from coach.core.diagnose.forward import Drives, Forward
from coach.core.diagnose.hypotheses import HYPOTHESES, Hypothesis, brake_early, slow_middle
from coach.core.diagnose.scatter import PRACTISED, Scatter
from coach.core.diagnose.signatures import Signatures
from coach.core.diagnose.vetoes import nothing_ruled_out
from coach.core.measure.passes import CornerReference
from coach.core.measure.profile_gaps import SIZE, place_of


def _braked() -> list[CornerReference]:
    references, _ = every_fault().ground
    return [r for r in references if r.measures["brake_start_m"] < r.measures["min_speed_at_m"] - 30.0]


def _model(reference: CornerReference) -> Forward:
    _, car = every_fault().ground
    return Forward(reference.trace, reference.zone, reference.measures, car)


def test_a_drive_with_nothing_changed_is_the_reference() -> None:
    for reference in every_fault().ground[0]:
        model = _model(reference)
        speed, brake, throttle, late = model.drive(model.plain(1))
        assert np.abs(speed[0] - model.v).max() < 0.5
        assert abs(late[0, -1]) < 0.02
        assert max(np.abs(brake).max(), np.abs(throttle).max()) < 0.5


@pytest.mark.parametrize("metres", [6.0, 12.0, 24.0])
def test_the_same_braking_done_sooner_costs_its_metres_at_the_lowest_speed(metres: float) -> None:
    """Kinematics: metres driven at the lowest speed in place of the approach's (no source but the definition)."""
    for reference in _braked():
        model = _model(reference)
        drives = model.plain(2)
        brake_early(model, drives, 0, metres)
        speed, _, _, late = model.drive(drives)
        cost = late[0, model.slow] - late[1, model.slow]
        there = float(np.mean(model.v[model.start - round(metres / model.step) : model.start + 1]))
        assert cost == pytest.approx(metres * (1.0 / model.v[model.slow] - 1.0 / there), rel=0.15)
        assert speed[0].min() == pytest.approx(model.v.min(), abs=0.3)


def test_each_simulated_fault_is_found_again() -> None:
    """A pass that is exactly a simulated one is explained by that fault, at all corners."""
    _, car = every_fault().ground
    right = shown = 0
    for reference in _braked():
        signs = Signatures(reference, car)
        explainer = Explainer(signs, Scatter({}), 0)
        for k, (hypothesis, _) in enumerate(signs.rows):
            if signs.cost_s[k] < 0.1:
                continue
            best = explainer.explain(signs.gaps[k], float(signs.cost_s[k]), 0.02, 0.0, nothing_ruled_out, {})
            shown += 1
            right += best is not None and signs.rows[best.row][0].fault == hypothesis.fault
    assert shown > 50
    assert right == shown


def release_abrupt(f: Forward, d: Drives, k: int, x: float) -> None:
    """Brake hard to the end and off at once, ``x`` metres before the slowest place, instead of trailing it in."""
    done = f.slow - round(x / f.step)
    d.cap[k, done : f.slow] = np.minimum(d.cap[k, done : f.slow], f.energy[f.slow])
    d.decel[k, f.start : done] = f.own_decel[f.start : f.slow].max()
    d.brake[k, done : f.slow] = 0.0


def test_a_new_fault_is_one_row(monkeypatch: pytest.MonkeyPatch) -> None:
    """A sixteenth fault: its change of a drive and its row, nothing else; it is told from the fifteen others."""
    row = Hypothesis("release_abrupt", "m", (12.0, 24.0), release_abrupt, ("brake_release_m",))  # type: ignore[arg-type]
    monkeypatch.setattr("coach.core.diagnose.signatures.HYPOTHESES", (*HYPOTHESES, row))
    test_each_simulated_fault_is_found_again()


def test_a_pass_like_the_reference_is_no_fault() -> None:
    _, car = every_fault().ground
    reference = _braked()[0]
    explainer = Explainer(Signatures(reference, car), Scatter({}), 0)
    assert explainer.explain(np.zeros(SIZE), 0.0, 0.02, 0.0, nothing_ruled_out, {}) is None


def test_more_of_a_fault_costs_more() -> None:
    _, car = every_fault().ground
    for reference in _braked():
        signs = Signatures(reference, car)
        for fault in ("brake_early", "slow_middle", "throttle_soft"):
            first = next(h for h in HYPOTHESES if h.fault == fault)
            costs = [signs.cost_s[k] for k, (h, _) in enumerate(signs.rows) if h is first]
            assert costs == sorted(costs), (fault, costs)


def test_a_simulated_fault_shows_its_amount_in_its_own_measure() -> None:
    """Metres of the brake point and metres per second at the slowest place are measured as they were simulated, within
    what the comparison allows for.
    """
    _, car = every_fault().ground
    for reference in _braked():
        signs = Signatures(reference, car)
        for k, (hypothesis, amount) in enumerate(signs.rows):
            if hypothesis.change in (brake_early, slow_middle):
                shown = hypothesis.sign * signs.gaps[k, place_of(hypothesis.shown[0])]
                assert shown == pytest.approx(amount, rel=MODEL), (hypothesis.change, amount)


def test_a_steady_habit_is_no_scatter() -> None:
    """A driver slow at one corner in every lap scatters there no more than elsewhere, and no usual hides it."""
    rng = np.random.default_rng(5)
    rows = {c: rng.standard_normal((12, SIZE)) * PRACTISED for c in range(6)}
    before = Scatter(rows).covariance(2)
    rows[2] = rows[2] + 10.0 * PRACTISED
    habit = Scatter(rows)
    assert np.diag(habit.covariance(2)) == pytest.approx(np.diag(before))
    assert habit.baseline(2) == pytest.approx(2.0 * PRACTISED)


def test_the_scatter_of_many_passes_is_theirs_and_of_none_a_practised_drivers() -> None:
    rng = np.random.default_rng(3)
    own = 1.5 * PRACTISED
    scatter = Scatter({c: rng.standard_normal((40, SIZE)) * own for c in range(6)})
    ratio = np.sqrt(np.diag(scatter.covariance(0))) / own
    # a deviation from the median of 40 is known to 18 % (1.17 / sqrt(40)); three times that for the worst of 53
    assert 0.46 < ratio.min() < ratio.max() < 1.55
    assert ratio.mean() == pytest.approx(1.0, abs=0.1)
    assert np.abs(scatter.baseline(0)).max() <= 2.0 * PRACTISED.max()
    assert np.linalg.eigvalsh(scatter.covariance(3)).min() > 0.0
    fresh = Scatter({})
    assert np.sqrt(np.diag(fresh.covariance(0))) == pytest.approx(PRACTISED)
    assert not fresh.baseline(0).any()
