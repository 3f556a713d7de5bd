"""A wandering brake point is called where the spread costs time, not where the mean does or where nothing is lost."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from coach.core.cue.steadiness import AGAIN_LAPS, COST_S, PASSES, Steadiness, _cost_s


def called(early: list[float], losses: list[float]) -> list[int]:
    """The laps after which it is called."""
    steady = Steadiness()
    return [lap for lap, pair in enumerate(zip(early, losses, strict=True)) if steady.learn(0, lap, *pair)]


WANDERS = [-12.0, 10.0, -8.0, 11.0, -10.0, 9.0, -3.0, 4.0, -11.0, 12.0, -2.0, 9.0, -10.0, 8.0]


def test_the_spread_is_called_when_it_costs_and_not_in_every_lap() -> None:
    """A pass far from the middle loses, one near it does not; known after eight passes, then every fifth lap."""
    laps = called(WANDERS, [0.02 * abs(x) for x in WANDERS])
    assert PASSES - 1 == laps[0]
    assert all(b - a >= AGAIN_LAPS for a, b in pairwise(laps))


@pytest.mark.parametrize(
    ("early", "losses"),
    [
        (WANDERS, [0.1] * 14),  # costs nothing
        ([x + 20.0 for x in WANDERS], [0.02 * abs(x) for x in WANDERS]),  # the mean is the fault
        ([x / 5.0 for x in WANDERS], [0.02 * abs(x) for x in WANDERS]),  # as steady as anybody
        ([float("nan")] * 14, [0.1] * 14),
    ],
)
def test_nothing_is_called_where_spread_is_not_the_fault(early: list[float], losses: list[float]) -> None:
    """Then there is nothing to say, or a correction says it."""
    assert [] == called(early, losses)


def test_what_the_spread_costs_is_the_least_squares_line() -> None:
    """The slope is numpy's (polyfit of degree one, the outside check), times the mean distance."""
    rng = np.random.default_rng(3)
    away, losses = rng.uniform(0.0, 20.0, 8), rng.normal(0.1, 0.05, 8)
    slope = np.polyfit(away, losses, 1)[0]
    assert slope * away.mean() == pytest.approx(_cost_s(list(away), list(losses)))
    assert 0.0 == _cost_s([3.0] * 8, [0.1] * 8) < COST_S


def test_the_way_of_a_correction_is_no_spread() -> None:
    """Passes before a fault was found there are forgotten: eight new ones are needed."""
    steady = Steadiness()
    for lap, early in enumerate(WANDERS[:7]):
        steady.learn(0, lap, early, 0.02 * abs(early))
    steady.forget(0)
    assert not any(steady.learn(0, 7 + lap, early, 0.02 * abs(early)) for lap, early in enumerate(WANDERS[:7]))
