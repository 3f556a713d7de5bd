"""Limits of the profile that no advice may cross: the latest brake point, the widest exit."""

from __future__ import annotations

import math
from typing import Final

from coach.core.cue.reasons import Reason
from coach.core.cue.rules import CueRule
from coach.core.diagnose.advice import ADVICE_STEP_M
from coach.core.values import Corner

OUTWARD: Final = frozenset({"exit_narrow", "grip_middle", "grip_exit"})
"""Speed or power that only the tyres' grip calls for takes the car outward too."""


def limit(rule: CueRule, corner: Corner, amount: float, brakes_m: float = math.nan) -> Reason:
    """Return PROFILE_LIMIT if the advice could take the car past a limit of ``corner``, else NONE.

    ``amount`` is the finding's amount [m]: a driver braking that much before the profile's brake point and gets the cue
    to brake later brakes one step later next time. ``brakes_m`` is the brake point implied by the words [m], NaN
    without a board.
    """
    latest = corner.latest_brake_m
    if latest == latest:
        if rule.about == "brake_early" and corner.brake_m - amount + min(amount, ADVICE_STEP_M) > latest:
            return Reason.PROFILE_LIMIT
        if brakes_m > latest:
            return Reason.PROFILE_LIMIT
    if rule.about in OUTWARD and corner.widest_exit_offset_m <= 0.0:
        return Reason.PROFILE_LIMIT
    if rule.about == "kerb_exit" and corner.kerb_exit != "avoid" and corner.widest_exit_offset_m <= 0.0:
        return Reason.PROFILE_LIMIT
    return Reason.NONE
