"""Headroom and use of grip in the words and pictures of the debrief page."""

from __future__ import annotations

from typing import Final

from coach.app.rerun.rerun import Rerun
from coach.app.review.debrief import CornerHeadroom, Debrief
from coach.app.review.headroom import grip_points
from coach.core.diagnose.advice import to_do
from coach.core.measure.grip_meter import GripMeter
from coach.core.measure.passes import PassRecord
from coach.core.unit_system import METRIC, Units
from coach.outputs.console import lap_time
from coach.pages.grip_use import GripView, outline, phases

MAX_CORNERS: Final = 6


def grip_views(done: Debrief, result: Rerun, system: Units = METRIC) -> list[GripView]:
    """Return the corners with most headroom, in that order; empty if the envelope is unknown."""
    meter = result.pipeline.track_model.builder.meter
    if meter is None or not done.headroom:
        return []
    index = {zone.corner.name: i for i, zone in enumerate(result.pipeline.track_model.zones)}
    valid = {lap.lap for lap in done.laps if lap.valid}
    kept = [d for d in result.pipeline.kept or [] if d.lap in valid]
    limit = outline(meter.envelope.exponent)
    out = []
    for one in done.headroom[:MAX_CORNERS]:
        passes = [d for d in kept if d.corner == index[one.corner]]
        out.append(_view(one, limit, passes, meter, system))
    return out


def grip_summary(done: Debrief) -> str:
    """Return the reachable lap beside the best one, in a sentence."""
    if done.reachable_s is None:
        return ""
    best = min((lap.time_s for lap in done.laps if lap.valid), default=done.reachable_s)
    if best <= done.reachable_s:
        return (
            f"Your best lap is as fast as your own car has shown it can go on this line ({lap_time(done.reachable_s)})."
        )
    return (
        f"{lap_time(done.reachable_s)} is within what your own car has shown, on the line you drive: "
        f"{best - done.reachable_s:.2f} s under your best lap. Corners by what a usual pass leaves there."
    )


def _view(one: CornerHeadroom, limit: str, passes: list[PassRecord], meter: GripMeter, system: Units) -> GripView:
    parts = phases(grip_points(meter, passes), one.grip_use)
    words = ", ".join(f"{p.name} {p.use}" for p in parts if p.use) or "use of grip unknown"
    return GripView(
        one.corner,
        f"{one.headroom_s:.2f} s",
        f"between {max(one.low_s, 0.0):.2f} and {one.high_s:.2f} s, most of it in the {one.phase}"
        if one.phase
        else f"between {max(one.low_s, 0.0):.2f} and {one.high_s:.2f} s, in no phase alone",
        to_do(one.fault, one.amount, system) if one.fault else "",
        limit,
        parts,
        words,
        f"{one.corner}, share of the car's limits used: {words}",
    )
