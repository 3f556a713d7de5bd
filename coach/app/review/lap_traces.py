"""The laps of a rerun session as traces over one distance axis, for the pages."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.app.rerun.rerun import Rerun
from coach.core.columns import Floats
from coach.core.measure.passes import PassRecord
from coach.core.track.reference import Reference
from coach.core.unit_system import METRIC, Units
from coach.core.values import LapDone
from coach.pages.traces import Traces

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
