"""Unused grip: the phase of a corner in which a pass left most of what the car has shown, where no fault is named.

Only against a reachable lap, which uses the whole envelope. The driven speed bounds the reachable one phase by phase
(``measure/headroom.py``); the costliest phase is the cause if the pass used less of the envelope there than the
reachable lap does.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from coach.core.diagnose.case import COST_S
from coach.core.diagnose.line import PARTS
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.diagnose.vetoes import Veto
from coach.core.measure.grip_meter import GripMeter, meter_of
from coach.core.measure.grip_shares import NOISY_M
from coach.core.measure.headroom import CornerRoad, phase_parts
from coach.core.measure.passes import CornerReference, PassRecord
from coach.core.track.reference import Reference
from coach.core.values import Fault, Finding

FAULTS: Final[dict[str, Fault]] = {
    "braking": "grip_braking",
    "entry": "grip_entry",
    "middle": "grip_middle",
    "exit": "grip_exit",
}


class UnusedGrip:
    """Finds the unused grip of passes over one reachable lap; a corner is solved when first needed."""

    def __init__(self, reference: Reference, corners: tuple[CornerReference, ...], meter: GripMeter) -> None:
        assert reference.shown is not None
        self.reference, self.corners, self.meter = reference, corners, meter
        shown = reference.shown
        self.envelope = shown.envelope.times(shown.share)
        self._known: dict[int, _There] = {}

    def find(self, driven: PassRecord, tolerance: ToleranceModel, ruled_out: Veto) -> tuple[Finding, ...]:
        """Return the finding of a pass that has no other: none if its use of grip is unknown, its path another than
        the reference's, or the time lost not worth a cue.
        """
        trace, corner = driven.trace, driven.corner
        if trace is None or trace.place_noise_m >= NOISY_M:
            return ()
        usual = tolerance.baseline(corner)
        if any(abs(driven.gaps.get(n, 0.0) - usual.get(n, 0.0)) > tolerance.width(corner, n) for n in PARTS):
            return ()
        there = self._there(corner)
        base = driven.zone.start_m - there.here.zone.start_m
        speed = np.interp(there.here.u_m, trace.u_m - base, trace.speed_mps)
        parts = phase_parts(there.here, self.envelope, there.fast, speed)
        phase = max(parts, key=lambda name: parts[name])
        cost, name = parts[phase], f"grip_use_{phase}"
        used, usable = driven.measures.get(name, math.nan), there.used.get(name, math.nan)
        unused, cost = usable - used, min(cost, driven.total_s)
        if not unused > 0.0 or cost < COST_S or ruled_out(FAULTS[phase], unused):
            return ()
        evidence = {name: used, f"{name}_gap": -unused}
        return (Finding(FAULTS[phase], unused, "share", cost, evidence),)

    def _there(self, corner: int) -> _There:
        found = self._known.get(corner)
        if found is None:
            found = self._known[corner] = _There(self, corner)
        return found


class _There:
    """One corner: its road, the fastest speed there, and the reachable lap's own use of grip."""

    def __init__(self, of: UnusedGrip, corner: int) -> None:
        reference = of.corners[corner]
        self.here = CornerRoad(of.meter.road, reference.zone, of.reference.speed_mps)
        self.fast = self.here.fastest(of.envelope)
        self.used = of.meter.measure(reference.trace, reference.zone, reference.measures["brake_start_m"])


def unused_grip_of(reference: Reference, corners: tuple[CornerReference, ...]) -> UnusedGrip | None:
    """Return the search over a reachable lap; None for any other reference."""
    # a reference of driven laps carries its envelope too, and needs no road here
    if reference.shown is None or not reference.shown.reachable:
        return None
    meter = meter_of(reference)
    return None if meter is None else UnusedGrip(reference, corners, meter)
