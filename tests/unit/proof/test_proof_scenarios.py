"""The scenario bench in its short form: an instructor's rows on two circuits; what is known to fail must still fail."""

from __future__ import annotations

import pytest
import scenario_bench
from _pytest.mark import ParameterSet
from scenario_ground import QUICK
from scenario_rows import SCENARIOS, Scenario
from scenario_waits import WAITS


def _cases() -> list[ParameterSet]:
    cases = []
    for circuit in QUICK:
        for scenario in SCENARIOS:
            why, circuits = WAITS.get(scenario.name, ("", ()))
            marks = [pytest.mark.xfail(strict=True, reason=f"waits for {why}")] if circuit in circuits else []
            cases.append(pytest.param(scenario, circuit, marks=marks, id=f"{circuit}: {scenario.name}"))
    return cases


@pytest.mark.parametrize(("scenario", "circuit"), _cases())
def test_the_driver_hears_what_he_should(scenario: Scenario, circuit: str) -> None:
    """No more corrections than the row allows, none that is forbidden, and in time what must be said."""
    assert [] == scenario_bench.judge(scenario, circuit, 1).wrong


def test_every_expected_failure_is_a_row_and_says_what_it_waits_for() -> None:
    """No mark outlives its row, and none stands without a reason."""
    names = {scenario.name for scenario in SCENARIOS}
    assert set(WAITS) <= names
    assert all(why and circuits for why, circuits in WAITS.values())
