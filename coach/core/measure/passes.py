"""From located frames to a Pass: the trace of a corner and its straight, its losses, its measures.

Losses are differences of times at places. A place's time is taken once and shared by the pieces on both sides of
it, so the losses of a lap add up to its difference from the reference by construction.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import msgspec

from coach.core.columns import Floats
from coach.core.locate.frame_buffer import History
from coach.core.measure.comparison import contrast
from coach.core.measure.grip_meter import meter_of
from coach.core.measure.measures import PLACES, measure
from coach.core.measure.profile_gaps import Stretches
from coach.core.measure.trace import Trace, drive_trace, reference_trace
from coach.core.track.reference import Reference
from coach.core.track.zones import Zone

Part = Literal["entry", "middle", "exit", "straight"]
PARTS: Final[tuple[Part, ...]] = ("entry", "middle", "exit", "straight")


BEFORE_M: Final = 80.0
"""A trace begins this far before its zone: a corner that follows closely may be braked for inside the one before."""


class Piece(msgspec.Struct, frozen=True):
    """Time lost [s] in one part of a corner's zone within one lap.

    ``began`` is the lap to which the corner belongs: it differs from ``lap`` where a zone reaches over the line.
    """

    lap: int
    corner: int
    part: Part
    loss_s: float
    began: int


@dataclass(frozen=True)
class PassRecord:
    """One pass before it is diagnosed. ``whole`` is false when its beginning was not seen."""

    lap: int
    corner: int
    zone: Zone
    trace: Trace | None
    pieces: tuple[Piece, ...]
    measures: dict[str, float]
    gaps: dict[str, float]
    whole: bool
    line_t_s: float
    """Session time at the finish line if it was crossed in this pass, else NaN."""
    line_lap: int = 0
    """The lap that began there."""
    profile: Floats | None = None
    """Gaps along the corner (``profile_gaps``)."""

    def loss(self, part: Part) -> float:
        """Time lost in ``part`` over the whole pass, on both sides of the finish line [s]."""
        return self._losses[part]

    @cached_property
    def _losses(self) -> dict[Part, float]:
        losses: dict[Part, float] = dict.fromkeys(PARTS, 0.0)
        for piece in self.pieces:
            if piece.corner == self.corner:
                losses[piece.part] += piece.loss_s
        return losses

    @property
    def total_s(self) -> float:
        """Time lost over the corner and the straight after it [s]."""
        return sum(p.loss_s for p in self.pieces if p.corner == self.corner)

    @property
    def scatter(self) -> dict[str, float]:
        """What the driver's bands learn from: the gaps, and the losses of the whole and of each part [s]."""
        losses = {f"loss_{part}_s": self.loss(part) for part in PARTS}
        return {**self.gaps, "loss_s": self.total_s, **losses}


class CornerReference:
    """The reference over one corner: its trace and its measures, taken once."""

    def __init__(self, reference: Reference, zone: Zone) -> None:
        self.zone = zone
        self.trace = reference_trace(reference, zone.start_m - BEFORE_M, zone.next_start_m)
        self.measures = measure(self.trace, zone)
        self.stretches = Stretches(self.trace, zone, self.measures)
        self.slope = self._slope(reference)
        """Mean rise over run of the braking zone."""

    def _slope(self, reference: Reference) -> float:
        low = self.zone.quiet_m
        high = max(self.measures["min_speed_at_m"], low + 10.0)
        rise = float(reference.at("z_m", high) - reference.at("z_m", low))
        return rise / (high - low) if rise == rise else 0.0

    def zone_until(self, stop_m: float) -> Zone:
        """The zone with its straight cut short at ``stop_m``."""
        zone = self.zone
        return msgspec.structs.replace(zone, next_start_m=stop_m) if stop_m < zone.next_start_m else zone


class PassBuilder:
    """Measures corner after corner; ``open`` holds the last place whose time is known."""

    def __init__(self, reference: Reference, zones: tuple[Zone, ...]) -> None:
        self.reference = reference
        self.zones = zones
        self.corners = tuple(CornerReference(reference, zone) for zone in zones)
        self.meter = meter_of(reference)
        self._open: tuple[float, float] | None = None

    def interrupt(self) -> None:
        """Tracking was lost: what is being driven can not be measured whole."""
        self._open = None

    @property
    def known(self) -> tuple[float, float] | None:
        """The last place whose time is known [m driven, s]; None while tracking is lost."""
        return self._open

    def begin(self, u_m: float, t_s: float) -> None:
        """Tracking begins at ``u_m``: the time there is known from now on."""
        self._open = (u_m, t_s)

    def build(self, history: History, corner: int, lap: int, stop_m: float = float("inf")) -> PassRecord | None:
        """The pass through ``corner`` that began in ``lap``; None if nothing of it can be measured.

        ``stop_m`` cuts the straight after the corner short, for a record that ends there.
        """
        length = self.reference.length_m
        base = lap * length
        zone = self.zones[corner].shifted(base)
        if stop_m < zone.end_m:
            return None
        if stop_m < zone.next_start_m:
            zone = msgspec.structs.replace(zone, next_start_m=stop_m)
        start = self._open
        if start is None or start[0] >= zone.next_start_m:
            return None
        whole = start[0] <= zone.start_m + 1e-6
        low = zone.start_m - BEFORE_M if whole else start[0]
        low = max(low, float(history.u_m[0]) if len(history) else low, start[0] - BEFORE_M)
        low = min(low, max(start[0], zone.start_m - BEFORE_M))
        trace = drive_trace(history, self.reference, low, zone.next_start_m)
        if trace is None:
            # frames are missing there; what comes after the newest one can be measured again
            self._open = (float(history.u_m[-1]), float(history["t_s"][-1])) if len(history) else None
            return None
        pieces, line_t, line_lap = self._pieces(trace, zone, start, corner, lap)
        if not whole:
            return PassRecord(lap, corner, zone, None, pieces, {}, {}, False, line_t, line_lap)
        found = measure(trace, zone)
        if self.meter is not None:
            found |= self.meter.measure(trace, zone, found["brake_start_m"])
        mine = {k: v - base if k in PLACES else v for k, v in found.items()}
        theirs = self.corners[corner].measures
        gaps = {k: mine[k] - theirs[k] for k in mine if k in theirs}
        reference = self.corners[corner]
        gaps |= contrast(trace, reference.trace, reference.zone_until(stop_m - base), base, theirs)
        if self.reference.inferred_pedals:
            # speed alone can not tell rolling from a held throttle or a light brake
            gaps["idle_before_m"] = float("nan")
        profile = reference.stretches.gaps(trace, base)
        return PassRecord(lap, corner, zone, trace, pieces, mine, gaps, True, line_t, line_lap, profile)

    def peek(self, history: History, corner: int, lap: int, stop_m: float) -> PassRecord | None:
        """The pass as far as ``stop_m``, while it is driven on: the same as ``build``, and nothing is kept of it."""
        known = self._open
        try:
            return self.build(history, corner, lap, stop_m)
        finally:
            self._open = known

    def _pieces(
        self, trace: Trace, zone: Zone, start: tuple[float, float], corner: int, lap: int
    ) -> tuple[tuple[Piece, ...], float, int]:
        # what was driven before the zone, when tracking began there, is the straight after the corner before
        previous = (corner - 1) % len(self.zones)
        ends: list[tuple[float, Part, int, int]] = [
            (zone.start_m, "straight", previous, lap - 1 if corner == 0 else lap),
            (zone.turn_in_m, "entry", corner, lap),
            (zone.apex_m, "middle", corner, lap),
            (zone.end_m, "exit", corner, lap),
            (zone.next_start_m, "straight", corner, lap),
        ]
        length = self.reference.length_m
        pieces: list[Piece] = []
        line_t, line_lap = float("nan"), 0
        here, here_t = start
        here_ref = self.reference.value("t_s", here)
        for end, part, of, began in ends:
            if end <= here:
                continue
            # a hair beyond, for a place on the line itself is a product of floats
            now = int((here + 1e-3) // length) if self.reference.closed else 0
            seam = (now + 1) * length
            crosses = self.reference.closed and here < seam <= end
            for stop in (seam, end) if crosses and seam < end else (end,):
                stop_t = trace.at("t_s", stop)
                own = int((here + 1e-3) // length) if self.reference.closed else 0
                stop_ref = self.reference.value("t_s", stop)
                pieces.append(Piece(own, of, part, stop_t - here_t - (stop_ref - here_ref), began))
                if crosses and stop == seam:
                    line_t, line_lap = stop_t, own + 1
                here, here_t, here_ref = stop, stop_t, stop_ref
        self._open = (here, here_t)
        return tuple(pieces), line_t, line_lap
