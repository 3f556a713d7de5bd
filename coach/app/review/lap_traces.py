"""The laps of a rerun session for the pages: traces over one distance axis, and grip use."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.app.rerun.rerun import Rerun
from coach.app.review.debrief import CornerHeadroom, Debrief
from coach.app.review.headroom import grip_points
from coach.core.columns import Floats
from coach.core.diagnose.advice import to_do
from coach.core.measure.grip_meter import GripMeter
from coach.core.measure.passes import PassRecord
from coach.core.track.reference import Reference
from coach.core.unit_system import METRIC, Units
from coach.core.values import LapDone
from coach.outputs.console import lap_time
from coach.pages.grip_use import GripView, outline, phases
from coach.pages.traces import Traces

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
    more = " No less than that: nothing proves that these are the car's limits." if done.reachable_at_least else ""
    if best <= done.reachable_s:
        return (
            f"Your best lap is as fast as your own car has shown it can go on this line ({lap_time(done.reachable_s)})."
            f"{more}"
        )
    return (
        f"{lap_time(done.reachable_s)} is within what your own car has shown, on the line you drive: "
        f"{best - done.reachable_s:.2f} s under your best lap. Corners by what a usual pass leaves there."
        f"{more}"
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


MOST_LAPS: Final = 16
"""Number of laps on a page; a longer session shows the best, the worst, the first and the last."""
MOST_NODES: Final = 1400
CHANNELS: Final = ("speed", "delta", "brake", "throttle", "offset")


def lap_traces(result: Rerun, reference: Reference, system: Units = METRIC) -> Traces:
    """Return the reference and up to MOST_LAPS laps, each thinned to at most MOST_NODES places."""
    step = max(1, -(-len(reference) // MOST_NODES))
    keep = np.arange(0, len(reference), step)
    chosen = choose_laps(result.events.laps)
    pieces: dict[int, list[PassRecord]] = defaultdict(list)
    for driven in result.pipeline.kept or ():
        # a pass across the line belongs to both laps
        pieces[driven.lap].append(driven)
        pieces[driven.lap + 1].append(driven)
    laps = {lap.lap: _lap(lap, pieces[lap.lap], reference, keep, system) for lap in chosen}
    valid = [lap for lap in chosen if lap.valid]
    best = min(valid, key=lambda lap: lap.time_s, default=None)
    shown = tuple(dict.fromkeys(lap.lap for lap in (best, chosen[-1] if chosen else None) if lap is not None))
    return Traces(
        np.asarray(keep * reference.step_m, dtype=np.float64),
        _reference(reference, keep, system),
        laps,
        shown,
        system=system,
    )


def choose_laps(laps: Sequence[LapDone]) -> list[LapDone]:
    """Return all laps if few; else the best ones and some spread over the session, in order."""
    if len(laps) <= MOST_LAPS:
        return list(laps)
    best = sorted((lap for lap in laps if lap.valid), key=lambda lap: lap.time_s)[: MOST_LAPS // 2]
    spread = [laps[round(i)] for i in np.linspace(0, len(laps) - 1, MOST_LAPS - len(best))]
    numbers = {lap.lap for lap in (*best, *spread)}
    return [lap for lap in laps if lap.lap in numbers]


def _reference(reference: Reference, keep: NDArray[np.int64], system: Units) -> dict[str, Floats]:
    zero = np.zeros(len(keep))
    return {
        "speed": reference.speed_mps[keep] * system.per_mps,
        "delta": zero,
        "brake": reference.brake[keep] * 100.0,
        "throttle": reference.throttle[keep] * 100.0,
        "offset": zero if reference.has_line else zero * np.nan,
    }


def _lap(
    done: LapDone, passes: Sequence[PassRecord], reference: Reference, keep: NDArray[np.int64], system: Units
) -> dict[str, Floats]:
    n = len(reference)
    rows = {name: np.full(n, np.nan) for name in CHANNELS}
    first = round(done.lap * reference.length_m / reference.step_m) if reference.closed else 0
    began = done.t_s - done.time_s
    for driven in passes:
        trace = driven.trace
        if trace is None:
            continue
        inside = (trace.u_m >= driven.zone.start_m) & (trace.u_m <= driven.zone.next_start_m)
        node = np.round(trace.u_m / reference.step_m).astype(np.int64) - first
        rows_of = inside & (node >= 0) & (node < n)
        at = node[rows_of]
        rows["speed"][at] = trace.speed_mps[rows_of] * system.per_mps
        rows["delta"][at] = trace.t_s[rows_of] - began - reference.t_s[at]
        rows["brake"][at] = trace.brake[rows_of] * 100.0
        rows["throttle"][at] = trace.throttle[rows_of] * 100.0
        rows["offset"][at] = trace.offset_m[rows_of] * system.per_m
    return {name: values[keep] for name, values in rows.items()}
