from __future__ import annotations

from typing import get_args

import pytest

from coach.core.diagnose.advice import ADVICE_STEP_M, to_do, what
from coach.core.values import Fault


@pytest.mark.parametrize(
    ("fault", "amount", "text"),
    [
        ("brake_early", 18.0, "brakes 18 m early"),
        ("coasting", 25.4, "coasts for 25 m"),
        ("slow_middle", 2.5, "slow mid-corner by 9 km/h"),
        ("throttle_soft", 0.3, "30 % less throttle"),
        ("apex_missed", 1.25, "misses the apex by 1.2 m"),
        ("gear_low", 1.0, "gear too low"),
    ],
)
def test_a_fault_is_told_in_its_own_unit(fault: str, amount: float, text: str) -> None:
    """Amounts come in metres, m/s, shares and gears; a person reads metres, km/h and percent."""
    assert text == what(fault, amount)


def test_every_fault_has_a_description_and_an_advice() -> None:
    """No fault leaves a debrief without a text, whatever its amount."""
    for fault in get_args(Fault):
        for text in (what(fault, 12.0), to_do(fault, 12.0)):
            assert text
            assert "{" not in text


def test_advice_goes_by_steps() -> None:
    """Who brakes 18 m early is asked for one step, who is 3 m early for 3 m."""
    assert f"brake {ADVICE_STEP_M:.0f} m later, a step a lap" == to_do("brake_early", 18.0)
    assert "brake 3 m later, a step a lap" == to_do("brake_early", 3.2)
