"""Use of grip of a pass, as measures: the share of the envelope in each phase of its corner."""

from __future__ import annotations

from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.measure.grip_use import PHASES, grip_use, phase_places, phase_use
from coach.core.measure.trace import Trace
from coach.core.track.envelope import Envelope
from coach.core.track.reference import Reference
from coach.core.track.road import Road, road_of
from coach.core.track.zones import Zone

SPAN_M: Final = 5.0
"""Acceleration is the change of v^2 over this far to either side: 0.04 m/s of noise leave 0.3 m/s2 at 50 m/s."""
MEASURES: Final = tuple(f"grip_use_{phase}" for phase in PHASES)


class GripMeter:
    """The road and the envelope of a reference, ready to measure passes on its nodes."""

    def __init__(self, road: Road, envelope: Envelope) -> None:
        self.road = road
        self.envelope = envelope

    def measure(self, trace: Trace, zone: Zone, brake_start_m: float) -> dict[str, float]:
        """Return ``grip_use_braking``, ``_entry``, ``_middle``, ``_exit``: mean share of the envelope used, NaN if
        unknown.

        ``brake_start_m`` is where the pass began to brake, NaN if it did not.
        """
        phases = phase_places(zone, brake_start_m)
        low = min(begin for begin, _ in phases.values())
        first, last = trace.index(low), trace.index(max(end for _, end in phases.values()))
        used = self.use(trace)[first : last + 1]
        found = phase_use(trace.u_m[first : last + 1], used, phases)
        return {name: found[phase] for name, phase in zip(MEASURES, PHASES, strict=True)}

    def use(self, trace: Trace) -> Floats:
        """Return the share of the envelope used at each node of the trace, (n,)."""
        road = self.under(trace)
        return grip_use(road, self.envelope, trace.speed_mps, trace.curvature_pm, acceleration(trace))

    def under(self, trace: Trace) -> Road:
        """Return the road at the nodes of a trace."""
        first = round(float(trace.u_m[0]) / trace.step_m)
        return self.road.at(np.arange(first, first + len(trace.u_m)))


def acceleration(trace: Trace) -> Floats:
    """Return acceleration along the path at each node [m/s2], from the speed over SPAN_M to either side, (n,)."""
    half = max(round(SPAN_M / trace.step_m), 1)
    square = trace.speed_mps * trace.speed_mps / 2.0
    at = np.arange(len(square))
    low, high = np.maximum(at - half, 0), np.minimum(at + half, len(square) - 1)
    return np.asarray((square[high] - square[low]) / ((high - low) * trace.step_m))


def meter_of(reference: Reference) -> GripMeter | None:
    """Return the meter of a reference; None without an envelope or a line."""
    shown = reference.shown
    if shown is None or not reference.has_line:
        return None
    return GripMeter(road_of(reference), shown.envelope)
