"""Vetoes by physics: findings that ask for more than the tyres have.

Where a pass used all grip of today, it gets no advice for more speed, later or harder braking, or earlier throttle.
A car that runs wide gets no advice for speed or throttle: its line comes first. A fault caused by a lost gear is
not reported. A veto needs less evidence than a finding.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from coach.core.diagnose.case import LIMIT
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.measure.grip_shares import NOISY_M, Use, unused_mps
from coach.core.measure.passes import PassRecord
from coach.core.values import Fault

LINE: Final = 0.5
"""The unused grip must explain this share of a lack of speed; otherwise the path explains more of it."""
WIDE: Final = 2.5
"""A path this many deviations wide gets no advice for speed; scatter alone reaches it in one pass of 160."""
Veto = Callable[[Fault, float], bool]
"""Whether a fault of an amount is ruled out."""
SPEED: Final[frozenset[Fault]] = frozenset({"slow_middle", "brake_long", "grip_middle"})
BRAKE: Final[frozenset[Fault]] = frozenset({"brake_early", "brake_soft", "grip_braking"})
THROTTLE: Final[frozenset[Fault]] = frozenset({"throttle_late", "throttle_soft", "grip_exit"})
GEARLESS: Final[frozenset[Fault]] = THROTTLE | {"gear_high", "gear_low", "brake_late"}
"""Consequences of a lost gear: a car that is slower for it brakes later."""


def nothing_ruled_out(fault: Fault, amount: float) -> bool:
    """Return False: every cause is possible."""
    return False


def struck(driven: PassRecord, use: Use, grip: float, tolerance: ToleranceModel, gear_lost: bool = False) -> Veto:
    """Return a test whether a fault of an amount is ruled out for this pass.

    ``grip`` is today's as a share of the reference's. ``gear_lost``: the reference drives this corner in a gear that
    the car has lost. An unknown share (NaN) vetoes nothing.
    """
    slowest, exit_use = use.slowest / grip, use.exit / grip
    usual = tolerance.baseline(driven.corner)
    # the gap of a noisy path is too uncertain to veto what the pedals show
    sharp = driven.trace is not None and driven.trace.place_noise_m < NOISY_M
    wide = sharp and any(
        driven.gaps.get(name, math.nan) - usual.get(name, 0.0) > WIDE * tolerance.sigma(driven.corner, name)
        for name in ("apex_line_m", "exit_line_m")
    )
    spare_mps = unused_mps(driven.measures["min_speed_mps"], slowest)

    def rules_out(fault: Fault, amount: float) -> bool:
        if gear_lost and fault in GEARLESS:
            return True
        if fault in BRAKE:
            return use.braking / grip >= LIMIT
        if fault in SPEED:
            path = fault == "slow_middle" and spare_mps < LINE * amount
            return wide or slowest >= LIMIT or path
        if fault in THROTTLE:
            return wide or exit_use >= LIMIT
        return False

    return rules_out
