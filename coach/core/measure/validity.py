"""Validity of a pass: an invalid pass teaches nothing and invalidates its lap, but its time still counts.

Wheels outside the limit, the car far beside the reference's road, or a stop; the survey leaves such laps out too.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.measure.passes import PassRecord
from coach.core.numeric.runs import stretches

WHEELS_OFF: Final = 3
"""This many wheels outside the limit make a pass and its lap invalid (common practice, no source)."""
BESIDE_M: Final = 12.0
BESIDE_OVER_M: Final = 20.0
"""This far off the reference's line for this long is off the road (common practice, no source)."""
STOPPED_MPS: Final = 3.0
STOPPED_S: Final = 1.0
"""Slower than this for this long is a stop (common practice, no source)."""


def invalid_reason(driven: PassRecord) -> str:
    """Return why a pass is invalid: "off track", "off the road", "stopped"; "" if it is valid."""
    if driven.measures.get("wheels_off", float("nan")) >= WHEELS_OFF:
        return "off track"
    trace = driven.trace
    if trace is None:
        return ""
    u, zone = trace.u_m, driven.zone
    own = slice(int(u.searchsorted(zone.start_m)), int(u.searchsorted(zone.next_start_m, "right")))
    t = trace.t_s[own]
    step_s = t[1:] - t[:-1]
    if _longest(step_s * STOPPED_MPS > trace.step_m, step_s) > STOPPED_S:
        return "stopped"
    beside = np.abs(trace.offset_m[own]) > BESIDE_M
    return "off the road" if _longest(beside, np.full(len(beside), trace.step_m)) > BESIDE_OVER_M else ""


def _longest(flag: NDArray[np.bool_], size: Floats) -> float:
    """Return the largest sum of ``size`` over consecutive rows where ``flag`` holds."""
    if not np.count_nonzero(flag):
        return 0.0
    total = np.concatenate([[0.0], np.cumsum(np.where(flag, size, 0.0))])
    return float(max(total[b + 1] - total[a] for a, b in stretches(flag)))
