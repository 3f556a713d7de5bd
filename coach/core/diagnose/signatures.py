"""Signatures of the faults at one corner: simulated on the corner's own reference, measured as passes are.

Worked out when a pass there first has to be explained.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.diagnose.forward import Drives, Forward
from coach.core.diagnose.hypotheses import HYPOTHESES, Hypothesis
from coach.core.measure.comparison import line_gaps, pedal_gaps
from coach.core.measure.measures import brake_and_speed
from coach.core.measure.passes import CornerReference
from coach.core.measure.profile_gaps import MEASURES, measured
from coach.core.measure.throttle_application import Rows
from coach.core.track.car import Car

SLOWER: Final = (0.0, 1.5, 3.0, 6.0, 12.0, 24.0)
"""Arrivals that are simulated: so much slower than the reference [m/s]."""


class Signatures:
    """Rows are faults at amounts: ``rows`` (fault, amount), ``gaps`` (rows, SIZE), ``cost_s`` (rows,)."""

    def __init__(self, reference: CornerReference, car: Car) -> None:
        zone, trace = reference.zone, reference.trace
        model = Forward(trace, zone, reference.measures, car)
        self.rows: tuple[tuple[Hypothesis, float], ...] = tuple((h, a) for h in HYPOTHESES for a in h.amounts)
        n = len(self.rows)
        drives = model.plain(n + len(SLOWER))
        for k, (hypothesis, amount) in enumerate(self.rows):
            hypothesis.change(model, drives, k, amount)
        drives.start[n:] = np.maximum(trace.speed_mps[0] - np.array(SLOWER), 3.0) ** 2 / 2.0
        speed, brake, throttle, late = model.drive(drives)
        plain = n
        # another gear takes engine, not pedal
        throttle[[k for k, (h, _) in enumerate(self.rows) if h.unit == "gear"]] = throttle[plain]
        shown = _measures(reference, drives, speed, brake, throttle)
        shown = np.nan_to_num(shown - np.nan_to_num(shown[plain]))
        means = reference.stretches.means
        held = slice(model.slow, max(model.end, model.slow + 1))
        gaps = np.concatenate(
            [means(x - x[plain]) for x in (speed, brake, throttle)]
            + [means(drives.offset), drives.gear[:, held].mean(axis=1, keepdims=True), shown],
            axis=1,
        )
        first, last = trace.index(zone.start_m), trace.index(zone.next_start_m)
        cost = late[:, last] - late[:, first]
        cost -= cost[plain]
        self.gaps, self.cost_s = gaps[:n], cost[:n]
        self._arriving, self._arriving_s = gaps[n:], cost[n:]
        self._slower = speed[plain, first] - speed[n:, first]

    def arriving(self, slower_mps: float) -> tuple[Floats, float]:
        """Return gaps (SIZE,) and seconds of a car that comes slower, and does the rest as the reference."""
        grid = self._slower
        k = min(max(int(np.searchsorted(grid, slower_mps, "right")) - 1, 0), len(grid) - 2)
        share = min((slower_mps - grid[k]) / max(grid[k + 1] - grid[k], 0.1), 1.0)
        gaps = self._arriving[k] + share * (self._arriving[k + 1] - self._arriving[k])
        return gaps, float(self._arriving_s[k] + share * (self._arriving_s[k + 1] - self._arriving_s[k]))


def _measures(reference: CornerReference, drives: Drives, speed: Floats, brake: Floats, throttle: Floats) -> Floats:
    """Return the gaps of the measures of each drive (drives, measures), measured as those of a pass.

    Of a drive on another line those of the path, of any other those of speed and pedals; 0 else: nothing else is asked.
    """
    trace, zone, ours = reference.trace, reference.zone, reference.measures
    side = 1.0 if zone.corner.direction == "left" else -1.0
    everywhere = slice(0, len(trace.u_m))
    ref = Rows(trace.u_m, trace, everywhere)
    same = dict.fromkeys(MEASURES, 0.0)
    out = []
    for k in range(len(speed)):
        driven = replace(
            trace,
            speed_mps=speed[k],
            brake=np.clip(trace.brake + brake[k], 0.0, 1.0),
            throttle=np.clip(trace.throttle + throttle[k], 0.0, 1.0),
            gear=trace.gear + drives.gear[k],
            offset_m=trace.offset_m - side * drives.offset[k],
        )
        own = Rows(trace.u_m, driven, everywhere)
        if drives.offset[k].any():
            out.append(measured(same | line_gaps(own, ref, zone, trace.step_m)))
            continue
        found = brake_and_speed(driven, zone)
        gaps = {name: found[name] - ours[name] for name in found}
        out.append(measured(same | gaps | pedal_gaps(own, ref, zone, ours, trace.step_m)))
    return np.array(out)
