"""Builds a Pass from located frames: the trace of a corner and its straight, losses, measures.

Losses are differences of times at places. The pieces on both sides of a place share its time, so the losses of a lap
add up to its difference from the reference by construction.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, Literal

import msgspec

from coach.core.columns import Floats
from coach.core.locate.frame_buffer import FrameBuffer
from coach.core.measure.comparison import compare_to_reference
from coach.core.measure.grip_meter import meter_of
from coach.core.measure.measures import PLACES, measure
from coach.core.measure.profile_gaps import Stretches
from coach.core.measure.trace import Trace, drive_trace, reference_trace
from coach.core.track.reference import Reference
from coach.core.track.zones import Zone

Part = Literal["entry", "middle", "exit", "straight"]
PARTS: Final[tuple[Part, ...]] = ("entry", "middle", "exit", "straight")


BEFORE_M: Final = 80.0
"""A trace begins this far before its zone: braking for a close corner may start inside the previous one."""


class LossPiece(msgspec.Struct, frozen=True):
    """Time lost [s] in one part of a corner's zone within one lap.

    ``began`` is the lap of the corner: it differs from ``lap`` where a zone crosses the line.
    """

    lap: int
    corner: int
    part: Part
    loss_s: float
    began: int


@dataclass(frozen=True)
class PassRecord:
    """One pass before diagnosis. ``whole`` is false if its beginning is missing."""

    lap: int
    corner: int
    zone: Zone
    trace: Trace | None
    pieces: tuple[LossPiece, ...]
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
        """Return time lost in ``part`` over the whole pass, on both sides of the finish line [s]."""
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
        """Data for the driver's tolerances: gaps, and losses of the whole and of each part [s]."""
        losses = {f"loss_{part}_s": self.loss(part) for part in PARTS}
        return {**self.gaps, "loss_s": self.total_s, **losses}


class CornerReference:
    """The reference over one corner: its trace and its measures, computed once."""

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
        """Return the zone with its straight cut short at ``stop_m``."""
        zone = self.zone
        return msgspec.structs.replace(zone, next_start_m=stop_m) if stop_m < zone.next_start_m else zone


_Key = tuple[object, ...]
_Open = tuple[float, float] | None


class PassStore:
    """Passes measured so far, for runs of the same frames against one reference with any corners.

    Measuring takes most of a run and depends on nothing but the frames, the reference and the places of a zone. So
    after an edit of one corner the passes of all others are taken from here.
    """

    def __init__(self) -> None:
        self._kept: dict[_Key, tuple[PassRecord | None, _Open]] = {}
        self._used: dict[_Key, tuple[PassRecord | None, _Open]] = {}
        self.reused = 0
        """Passes of the last run taken from the cache."""

    def begin_run(self) -> None:
        """Begin a run; keep a few runs' worth of passes, as undo may need them."""
        self._kept = {**self._kept, **self._used} if len(self._kept) < 8 * len(self._used) else self._used
        self._used = {}
        self.reused = 0

    def find(self, key: _Key) -> tuple[PassRecord | None, _Open] | None:
        """Return the pass stored under ``key`` in an earlier run and the place known after it, or None."""
        found = self._kept.get(key)
        if found is not None:
            self.reused += 1
            self._used[key] = found
        return found

    def keep(self, key: _Key, driven: PassRecord | None, known: _Open) -> None:
        """Keep a pass that was measured, and the place known after it."""
        self._used[key] = driven, known


def _places(zone: Zone) -> _Key:
    """Return the places of a zone that a measured pass depends on; NaN as None, as NaN never equals itself."""
    corner = zone.corner
    places = (
        zone.start_m,
        zone.brake_m,
        zone.turn_in_m,
        zone.apex_m,
        zone.exit_m,
        zone.end_m,
        zone.next_start_m,
        zone.quiet_m,
    )
    return (corner.direction, *(None if p != p else p for p in places))


class PassBuilder:
    """Measures one corner after another; ``open`` holds the last place with a known time.

    With a ``store`` a pass that an earlier run of the same frames measured is taken from there.
    """

    store: PassStore | None = None

    def __init__(self, reference: Reference, zones: tuple[Zone, ...]) -> None:
        self.reference = reference
        self.zones = zones
        self.corners = tuple(CornerReference(reference, zone) for zone in zones)
        self.meter = meter_of(reference)
        self._open: tuple[float, float] | None = None

    def interrupt(self) -> None:
        """Handle lost tracking: the current pass cannot be measured completely."""
        self._open = None

    @property
    def known(self) -> tuple[float, float] | None:
        """The last place with a known time [m driven, s]; None while tracking is lost."""
        return self._open

    def begin(self, u_m: float, t_s: float) -> None:
        """Start tracking at ``u_m``, with a known time."""
        self._open = (u_m, t_s)

    def build(self, history: FrameBuffer, corner: int, lap: int, stop_m: float = float("inf")) -> PassRecord | None:
        """Return the pass through ``corner`` that began in ``lap``; None if it cannot be measured.

        ``stop_m`` cuts the straight after the corner short, for a record that ends there; where it lies in the corner
        itself, the pass has its losses up to there and no measures.
        """
        if self.store is None:
            return self._measure(history, corner, lap, stop_m)
        # pieces are keyed by corner number, so the number is part of the key
        zone = self.zones[corner]
        key = (corner, len(self.zones), lap, _places(zone), stop_m, self._open)
        found = self.store.find(key)
        if found is None:
            driven = self._measure(history, corner, lap, stop_m)
            self.store.keep(key, driven, self._open)
            return driven
        driven, self._open = found
        if driven is None:
            return None
        return replace(driven, zone=msgspec.structs.replace(driven.zone, corner=zone.corner))

    def _measure(self, history: FrameBuffer, corner: int, lap: int, stop_m: float) -> PassRecord | None:
        length = self.reference.length_m
        base = lap * length
        zone = self.zones[corner].shifted(base)
        torn = stop_m < zone.end_m
        if stop_m < zone.next_start_m:
            zone = msgspec.structs.replace(zone, next_start_m=stop_m)
        start = self._open
        if start is None or start[0] >= zone.next_start_m:
            return None
        whole = start[0] <= zone.start_m + 1e-6 and not torn
        low = zone.start_m - BEFORE_M if whole else start[0]
        low = max(low, float(history.u_m[0]) if len(history) else low, start[0] - BEFORE_M)
        low = min(low, max(start[0], zone.start_m - BEFORE_M))
        trace = drive_trace(history, self.reference, low, zone.next_start_m)
        if trace is None:
            # frames are missing there; measuring resumes after the newest one
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
        gaps |= compare_to_reference(trace, reference.trace, reference.zone_until(stop_m - base), base, theirs)
        if self.reference.inferred_pedals:
            # speed alone cannot distinguish coasting from a held throttle or a light brake
            gaps["idle_before_m"] = float("nan")
        profile = reference.stretches.profile(trace, base, gaps)
        return PassRecord(lap, corner, zone, trace, pieces, mine, gaps, True, line_t, line_lap, profile)

    def peek(self, history: FrameBuffer, corner: int, lap: int, stop_m: float) -> PassRecord | None:
        """Return the unfinished pass up to ``stop_m``: like ``build``, without side effects."""
        known = self._open
        try:
            return self._measure(history, corner, lap, stop_m)
        finally:
            self._open = known

    def _pieces(
        self, trace: Trace, zone: Zone, start: tuple[float, float], corner: int, lap: int
    ) -> tuple[tuple[LossPiece, ...], float, int]:
        # the part before the zone, if tracking began there, belongs to the previous corner's straight
        previous = (corner - 1) % len(self.zones)
        ends: list[tuple[float, Part, int, int]] = [
            (zone.start_m, "straight", previous, lap - 1 if corner == 0 else lap),
            (zone.turn_in_m, "entry", corner, lap),
            (zone.apex_m, "middle", corner, lap),
            (zone.end_m, "exit", corner, lap),
            (zone.next_start_m, "straight", corner, lap),
        ]
        length = self.reference.length_m
        pieces: list[LossPiece] = []
        line_t, line_lap = float("nan"), 0
        here, here_t = start
        here_ref = self.reference.value("t_s", here)
        for place, part, of, began in ends:
            end = min(place, zone.next_start_m)
            if end <= here:
                continue
            # slightly beyond, as a place on the line itself is a product of floats
            now = int((here + 1e-3) // length) if self.reference.closed else 0
            seam = (now + 1) * length
            crosses = self.reference.closed and here < seam <= end
            for stop in (seam, end) if crosses and seam < end else (end,):
                stop_t = trace.at("t_s", stop)
                own = int((here + 1e-3) // length) if self.reference.closed else 0
                stop_ref = self.reference.value("t_s", stop)
                pieces.append(LossPiece(own, of, part, stop_t - here_t - (stop_ref - here_ref), began))
                if crosses and stop == seam:
                    line_t, line_lap = stop_t, own + 1
                here, here_t, here_ref = stop, stop_t, stop_ref
        self._open = (here, here_t)
        return tuple(pieces), line_t, line_lap
