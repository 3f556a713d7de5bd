"""How a practised driver scatters: deviations of his gaps where his own scatter is not known yet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from coach.core.values import MOST_APEXES


def per_apex(values: Mapping[str, float]) -> dict[str, float]:
    """Return the values of the measures that a corner with several apexes has of each of them."""
    alike = {"speed_mps": "min_speed_mps", "line_m": "apex_line_m"}
    return {f"apex_{n}_{own}": values[name] for n in range(1, MOST_APEXES + 1) for own, name in alike.items()}


_PRIOR: Final[Mapping[str, float]] = {
    "brake_start_m": 3.0,
    "brake_release_m": 4.0,
    "brake_peak": 0.04,
    "turn_in_m": 2.5,
    "min_speed_mps": 0.3,
    "throttle_start_m": 4.0,
    "full_throttle_m": 5.0,
    "apex_offset_m": 0.3,
    "exit_offset_m": 0.35,
    "coast_s": 0.08,
    "drive_late_m": 3.0,
    "drive_share": 0.04,
    "gear_mean": 0.1,
    "idle_before_m": 4.0,
    "idle_after_m": 3.0,
    "lifted_m": 2.0,
    "entry_line_m": 0.35,
    "apex_line_m": 0.3,
    "exit_line_m": 0.35,
    "loss_s": 0.02,
    "loss_entry_s": 0.01,
    "loss_middle_s": 0.01,
    "loss_exit_s": 0.01,
    "loss_straight_s": 0.01,
}
PRIOR: Final[Mapping[str, float]] = {**_PRIOR, **per_apex(_PRIOR)}
"""Scatter of a practised driver, used until the driver's own is known (common practice, no source)."""
