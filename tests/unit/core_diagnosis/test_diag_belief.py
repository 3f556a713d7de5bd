"""How sure a cause is, from made-up gaps and losses."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, cast

import pytest

from coach.core.diagnose.belief import beliefs
from coach.core.diagnose.case import Case, Cause
from coach.core.diagnose.tolerance import judged_count

SCATTER_S = 0.02


def case(excess_s: float) -> Case:
    """A pass that lost ``excess_s`` beyond the usual, of a driver who scatters by SCATTER_S."""
    made: Any = SimpleNamespace(excess_s=excess_s, scatter_in=lambda parts: SCATTER_S)
    return cast("Case", made)


def cause(sure: float, simulated_cost_s: float, fault: str = "slow_middle") -> Cause:
    return Cause(cast("Any", fault), 1.0, "m/s", simulated_cost_s, {}, sure)


def one(sure: float, simulated_cost_s: float, excess_s: float) -> float:
    only = cause(sure, simulated_cost_s)
    return beliefs(case(excess_s), [only], [only])[0]


def test_the_farther_outside_its_band_the_surer() -> None:
    seen = [one(sure, 0.15, 0.15) for sure in (0.5, 1.0, 2.0, 4.0)]
    assert seen == sorted(seen)
    assert seen[-1] > 0.95


def test_a_small_gap_that_cost_nothing_is_scatter() -> None:
    assert one(0.7, 0.05, 0.0) < 0.2


def test_a_loss_as_the_cause_should_cost_makes_it_surer_than_none() -> None:
    assert one(1.0, 0.15, 0.15) > one(1.0, 0.15, 0.0)


def test_of_two_that_explain_one_loss_the_clearer_is_the_surer() -> None:
    clear, faint = cause(3.0, 0.15), cause(1.0, 0.15, "throttle_late")
    sure = beliefs(case(0.15), [clear, faint], [clear, faint])
    assert sure[0] > sure[1]


@pytest.mark.parametrize("excess_s", [-0.1, 0.0, 0.3, 3.0])
def test_a_probability_is_one(excess_s: float) -> None:
    both = [cause(1.0, 0.1), cause(2.0, 0.2, "throttle_late")]
    assert all(0.0 <= p <= 1.0 for p in beliefs(case(excess_s), both, both))


def test_the_tails_of_a_driver_are_wide() -> None:
    """Student's t with 4 degrees of freedom: a deviation d is ln(1 + d^2 / 4) 5 / 2 less likely than none."""
    gap, nothing = 2.5 * math.log1p(9.0 / 4.0), 2.5 * math.log1p((0.03 / SCATTER_S) ** 2 / 4.0)
    width = math.hypot(SCATTER_S, 0.35 * 0.03)
    price = 0.5 * math.log(judged_count()) + math.log(15)
    ahead = gap + nothing - math.log(width / SCATTER_S) - price
    assert one(1.0, 0.03, 0.03) == pytest.approx(1.0 / (1.0 + math.exp(-ahead)))
