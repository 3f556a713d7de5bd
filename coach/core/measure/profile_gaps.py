"""How a pass differs from the reference along the corner: means of the channels' differences over stretches of it, and
the gaps of its measures.

The stretches follow the corner: the way to the brake, the braking, the way out, the straight. The means are linear in
what was driven, so that the differences of two faults add up, and noise averages out; the measures are sharper where a
pedal is pressed or released.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.measure.trace import Trace
from coach.core.track.zones import Zone

CHANNELS: Final = ("speed_mps", "brake", "throttle", "offset_m")
BEFORE_M: Final = (60.0, 30.0, 12.0)
"""Stretches before the brake point begin so far before it [m]."""
BEYOND_M: Final = (60.0, 200.0)
"""The straight counts up to this far beyond the corner's end [m]."""
LEAST_M: Final = 6.0
"""A stretch is at least so long [m]."""
SPLIT: Final = 4
"""Stretches of the braking, and of the way out."""
COUNT: Final = len(BEFORE_M) + 2 * SPLIT + len(BEYOND_M)
"""Stretches of a corner."""
PEDALS: Final = (
    "brake_start_m",
    "brake_peak",
    "brake_release_m",
    "min_speed_mps",
    "drive_late_m",
    "drive_share",
    "idle_before_m",
    "idle_after_m",
    "lifted_m",
    "gear_mean",
)
"""Measures of speed and pedals that stand beside the stretches."""
LINES: Final = ("entry_line_m", "apex_line_m", "exit_line_m", "turn_in_m")
"""Measures of the path that stand beside the stretches."""
MEASURES: Final = (*PEDALS, *LINES)
FIRST_PEDAL: Final = len(CHANNELS) * COUNT + 1
FIRST_LINE: Final = FIRST_PEDAL + len(PEDALS)
SIZE: Final = FIRST_LINE + len(LINES)
"""Length of a profile: a row of stretches for each channel, the gear on the way out, the measures."""


def measured(gaps: Mapping[str, float]) -> Floats:
    """Return the gaps of the measures as the last part of a profile; NaN where one is absent."""
    return np.array([gaps.get(name, np.nan) for name in MEASURES])


def place_of(measure: str) -> int:
    """Return where a measure stands in a profile."""
    return FIRST_PEDAL + MEASURES.index(measure)


class Stretches:
    """The stretches of one corner of the reference, as node ranges of its trace."""

    def __init__(self, trace: Trace, zone: Zone, measures: dict[str, float]) -> None:
        start, slow = measures["brake_start_m"], measures["min_speed_at_m"]
        begin = start if start == start and start < slow else min(zone.turn_in_m, slow)
        slow = max(slow, begin + SPLIT * LEAST_M)
        end = max(zone.end_m, slow + SPLIT * LEAST_M)
        places = [begin - d for d in BEFORE_M]
        places += [begin + k * (slow - begin) / SPLIT for k in range(SPLIT)]
        places += [slow + k * (end - slow) / SPLIT for k in range(SPLIT)]
        places += [end, *(end + d for d in BEYOND_M)]
        self.trace = trace
        self.edges = np.array([trace.index(p) for p in places])
        self.side = 1.0 if zone.corner.direction == "left" else -1.0

    def means(self, values: Floats, first: int = 0) -> Floats:
        """Return means (..., COUNT) of ``values`` (..., n) from the trace's node ``first`` on; NaN where there are
        none.
        """
        n = values.shape[-1]
        total = np.concatenate((np.zeros((*values.shape[:-1], 1)), values.cumsum(axis=-1)), axis=-1)
        edges = np.clip(self.edges - first, 0, n)
        size = np.diff(edges)
        with np.errstate(invalid="ignore", divide="ignore"):
            out: Floats = np.diff(total[..., edges], axis=-1) / size
        return out

    def profile(self, mine: Trace, base_m: float, gaps: Mapping[str, float]) -> Floats:
        """Return the profile (SIZE,) of a pass ``base_m`` ahead of the reference with the ``gaps`` of its measures; NaN
        where a channel is absent.
        """
        theirs = self.trace
        shift = round((mine.u_m[0] - base_m - theirs.u_m[0]) / theirs.step_m)
        low, high = max(shift, 0), min(len(theirs.u_m), shift + len(mine.u_m))
        rows = []
        for name in CHANNELS:
            gap = getattr(mine, name)[low - shift : high - shift] - getattr(theirs, name)[low:high]
            rows.append(self.means(-self.side * gap if name == "offset_m" else gap, low))
        gear = self.means(mine.gear[low - shift : high - shift] - theirs.gear[low:high], low)
        return np.concatenate([*rows, [_middle(gear)], measured(gaps)])


def _middle(gear: Floats) -> float:
    """Return the gear's mean difference from the last stretch of the braking to the corner's end."""
    part = gear[len(BEFORE_M) + SPLIT - 1 : -len(BEYOND_M)]
    return float(np.nanmean(part)) if np.isfinite(part).any() else float("nan")
