"""How long until a place is reached, and where speech must be over."""

from __future__ import annotations

from typing import Final

from coach.core.reference import Reference
from coach.core.zones import Zone

CAUTIOUS: Final = 0.97
"""Share of the foretold time that is relied upon: a driver may gain a little on the reference."""
STARTS_AFTER_S: Final = 0.06
"""From the decision to the first sound: output buffer and process switch, on the safe side of what is measured."""
LONGEST_LEAD_S: Final = 8.0
"""A spoken message works best 4-8 s ahead (Wan, Wu & Zhang 2016, J Safety Research 58:89-98)."""
SHORT_LEAD_S: Final = 5.0
"""A rehearsed prompt may come later than a new message; about 2 s ahead is enough (our inference)."""


def time_to(reference: Reference, u_m: float, speed_mps: float, place_m: float) -> float:
    """Seconds from ``u_m`` to ``place_m`` at the reference's pace, less if the car is faster than that here."""
    planned = float(reference.at("t_s", place_m) - reference.at("t_s", u_m))
    usual = float(reference.at("speed_mps", u_m))
    pace = min(usual / speed_mps, 1.0) if speed_mps > 1.0 else 1.0
    return planned * max(pace, 0.7) * CAUTIOUS


def open_place(reference: Reference, zone: Zone, previous_end_m: float) -> float:
    """Where cues for ``zone`` may begin: 8 s of driving before it gets quiet, not before the corner before is over."""
    target = float(reference.at("t_s", zone.quiet_m)) - LONGEST_LEAD_S - 0.5
    place = zone.quiet_m
    while place > previous_end_m and float(reference.at("t_s", place)) > target:
        place -= 10.0
    return max(place, previous_end_m)
