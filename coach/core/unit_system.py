"""Units of texts and speech: the program computes in SI, and only texts use these systems.

1 ft = 0.3048 m, 1 yd = 0.9144 m, 1 mile = 1609.344 m: international yard and pound agreement of 1959, exact.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

import msgspec

LengthUnit = Literal["metres", "feet", "yards"]


class Units(msgspec.Struct, frozen=True, cache_hash=True):
    """One system. ``per_mps`` and ``per_m``: speed and length of one m/s and one metre in it.

    ``step``: distances are spoken in multiples of it; at most 5 m, so that one step never exceeds that of the advice.
    ``board_per_m``: a braking board's number per metre before the turn-in.
    """

    name: str
    speed: str
    per_mps: float
    length: str
    per_m: float
    spoken: LengthUnit
    step: int
    board_per_m: float = 1.0

    def speed_text(self, mps: float, digits: int = 0) -> str:
        """Return a speed [m/s] with its unit: "85 km/h"."""
        return f"{mps * self.per_mps:.{digits}f} {self.speed}"

    def length_text(self, metres: float, digits: int = 0) -> str:
        """Return a length [m] with its unit: "120 m"."""
        return f"{metres * self.per_m:.{digits}f} {self.length}"


METRIC: Final = Units("metric", "km/h", 3.6, "m", 1.0, "metres", 5)
IMPERIAL: Final = Units("imperial", "mph", 3600 / 1609.344, "ft", 1 / 0.3048, "feet", 15)
"""Boards keep their metric numbers, as only the user knows whether they show yards."""
YARDS: Final = Units("yards", "mph", 3600 / 1609.344, "yd", 1 / 0.9144, "yards", 5, 1 / 0.9144)
SYSTEMS: Final[Mapping[str, Units]] = {u.name: u for u in (METRIC, IMPERIAL, YARDS)}
