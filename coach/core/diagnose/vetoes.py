"""What physics rules out of the findings of a pass: no more can be asked of tyres that gave all they had.

Where the tyres gave all there is today, no more speed can be asked for, no later or harder braking and no earlier
throttle. A car that already runs wide is asked for neither speed nor throttle: its line comes first. And what takes a
gear that the car has lost today is no fault. Less is needed for a veto than for a finding.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.measure.grip_shares import NOISY_M, Use
from coach.core.measure.passes import PassRecord
from coach.core.values import Fault, Finding

LIMIT: Final = 0.97
"""Who uses this share of the grip that is there has none left (common practice, no source)."""
LINE: Final = 0.5
"""Of a lack of speed the unused grip must explain this share; else the path took the larger part."""
WIDE: Final = 2.0
"""So many of the driver's deviations wide is wide enough for speed to rest: one pass in forty by mere scatter."""
SPEED: Final[frozenset[Fault]] = frozenset({"slow_middle", "brake_long"})
BRAKE: Final[frozenset[Fault]] = frozenset({"brake_early", "brake_soft"})
THROTTLE: Final[frozenset[Fault]] = frozenset({"throttle_late", "throttle_soft"})
GEAR: Final[frozenset[Fault]] = frozenset({"gear_high", "gear_low"})


def struck(
    driven: PassRecord, use: Use, grip: float, tolerance: ToleranceModel, gear_lost: bool = False
) -> Callable[[Finding], bool]:
    """Whether a finding of this pass is ruled out; ``grip`` is today's share of the reference's.

    ``gear_lost`` tells that the reference drives this corner in a gear that the car has lost. A share that is not known
    (NaN) rules nothing out.
    """
    slowest, exit_use = use.slowest / grip, use.exit / grip
    usual = tolerance.usual(driven.corner)
    # on a noisy path the gap itself is too uncertain to rule out what the pedals show
    sharp = driven.trace is not None and driven.trace.place_noise_m < NOISY_M
    wide = sharp and any(
        driven.gaps.get(name, math.nan) - usual.get(name, 0.0) > WIDE * tolerance.sigma(driven.corner, name)
        for name in ("apex_line_m", "exit_line_m")
    )
    # v^2 = a / kappa: on its own path a car that uses the share u of its grip could be faster by v (u^-1/2 - 1)
    unused_mps = driven.measures["min_speed_mps"] * (slowest**-0.5 - 1.0) if slowest > 0.0 else math.inf

    def rules_out(finding: Finding) -> bool:
        fault = finding.fault
        if fault in BRAKE:
            return use.braking / grip >= LIMIT
        if fault in SPEED:
            path = fault == "slow_middle" and unused_mps < LINE * finding.amount
            return wide or slowest >= LIMIT or path
        if fault in THROTTLE:
            return wide or gear_lost or exit_use >= LIMIT
        return gear_lost and fault in GEAR

    return rules_out
