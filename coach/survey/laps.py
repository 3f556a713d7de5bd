"""Laps: cut at passages of the line, each valid or with the first reason for refusal.

Rules (the first that holds names the lap): incomplete (or under 200 m); a gap, restart or teleport inside; places
unknown for over 2.5 s; positions and speed that differ by over 10 %; out-lap, in-lap, pit (by the feed's flag, or
lap 0); stopped (below 3 m/s for over 1 s); cut (three wheels or more outside the track for 0.2 s); shorter or longer
than the other laps by more than 3 %; off the other laps' road (see ``edges``); slower than 115 % of the best.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from coach.core.measure.lap_ledger import SLOW, STOPPED_MPS, STOPPED_S, WHEELS_OFF
from coach.core.numeric.reductions import stretches
from coach.survey.errors import SurveyError
from coach.survey.seam import (
    Passage,
    Seam,
    closing_seam,
    counted,
    counted_seam,
    passages,
    passages_without_positions,
    straight_seam,
)
from coach.survey.trace import Recording

WHEELS_OFF_S: Final = 0.2
OTHER_LENGTH: Final = 0.03
SHORTEST_M: Final = 200.0
DISAGREE: Final = 0.1
FEWEST_PLACES: Final = 20
LONGEST_WAIT_S: Final = 2.5
_SAME_LINE_M: Final = 50.0


@dataclass(frozen=True)
class Lap:
    """One lap from ``start`` to ``stop`` on the trace's clock [s]; ``reason`` is empty for a valid one.

    ``t_s`` is the session time at its start [s], ``length_m`` the odometer's. ``short_m`` is the distance from the
    record's end to the line [m]: the passage time is then extrapolated by speed; 0 for a complete record.
    """

    number: int
    start: float
    stop: float
    t_s: float
    length_m: float
    reason: str = ""
    short_m: float = 0.0

    @property
    def time_s(self) -> float:
        """Time from passage to passage [s]."""
        return self.stop - self.start

    @property
    def valid(self) -> bool:
        """Whether it may serve as reference and sample of the driver."""
        return not self.reason


@dataclass(frozen=True)
class Cut:
    """All laps of a recording, how the line was found, and whether the course is a closed circuit."""

    laps: tuple[Lap, ...]
    closed: bool
    seam: Seam | None
    how: str


def cut(trace: Recording, seam: Seam | None = None) -> Cut:
    """Cut a recording into laps at ``seam``, or at the feed's line, or else at one we choose."""
    at = counted(trace)
    if not trace.has_positions:
        found = passages_without_positions(trace, at)
        if len(found) < 2:
            return _one_way_by_distance(trace)
        return Cut(_judged(trace, _laps(trace, found)), True, None, "line where the lap distance starts again")
    how = "line of the survey before"
    if seam is None:
        seam, how = counted_seam(trace, at), "line where the feed counts the lap"
    if seam is None:
        seam, how = closing_seam(trace), "line at the start of the recording, where it also ends"
    if seam is None:
        seam, how = straight_seam(trace), "line in the middle of the longest straight (the feed counts no laps)"
    if seam is None:
        return _one_way(trace)
    found = passages(trace, seam)
    if len(found) < 2 and closing_seam(trace) is None:
        runs = _one_way(trace) if len(at) == 0 and how.startswith("line of") else None
        if runs is not None:
            return runs
    return Cut(_judged(trace, _laps(trace, found)), True, seam, how)


def _laps(trace: Recording, found: list[Passage]) -> list[Lap]:
    """Return the laps between passages, and the pieces before the first and after the last."""
    end = float(trace.clock[-1])
    begin = float(trace.clock[0])
    laps: list[tuple[float, float, str]] = []
    short = {p.clock: p.short_m for p in found}
    if not found:
        return [_lap(trace, 0, begin, end, "incomplete: the line is never passed")]
    if found[0].clock > begin + 1.0:
        laps.append((begin, found[0].clock, "first"))
    for one, two in pairwise(found):
        way = np.diff(np.interp([one.clock, two.clock], trace.clock, trace.odometer))[0]
        if way < _SAME_LINE_M:
            continue  # the same line, once before and once after a restart
        laps.append((one.clock, two.clock, ""))
    if end > found[-1].clock + 1.0:
        laps.append((found[-1].clock, end, "last"))
    numbers = _numbers(trace, laps)
    out = []
    for number, (a, b, kind) in zip(numbers, laps, strict=True):
        reason = ""
        way = float(np.diff(np.interp([a, b], trace.clock, trace.odometer))[0])
        if kind == "first":
            slow = float(np.interp(a, trace.clock, trace.speed)) < 10.0
            reason = "out-lap" if slow or number == 0 else f"incomplete: recorded only for its last {way:.0f} m"
        elif kind == "last":
            reason = f"incomplete: recorded only for its first {way:.0f} m"
        out.append(_lap(trace, number, a, b, reason, short.get(b, 0.0)))
    return out


def _lap(trace: Recording, number: int, a: float, b: float, reason: str, short_m: float = 0.0) -> Lap:
    way = np.interp([a, b], trace.clock, trace.odometer)
    return Lap(number, a, b, trace.session_time(a), float(way[1] - way[0]) + short_m, reason, short_m)


def _numbers(trace: Recording, laps: list[tuple[float, float, str]]) -> list[int]:
    """Return the feed's lap numbers if distinct, else count from 0 for a first piece."""
    counts = []
    for a, b, _ in laps:
        i, j = np.searchsorted(trace.clock, [a, b])
        seen = trace.channels["lap"][i:j]
        seen = seen[np.isfinite(seen)]
        counts.append(float(np.median(seen)) if len(seen) else math.nan)
    whole = np.array(counts)
    if np.all(np.isfinite(whole)) and np.all(np.diff(whole) > 0) and np.all(whole == np.floor(whole)):
        return [int(n) for n in whole]
    first = 0 if laps and laps[0][2] == "first" else 1
    return [first + k for k in range(len(laps))]


def _judged(trace: Recording, laps: list[Lap]) -> tuple[Lap, ...]:
    laps = [lap if lap.reason else replace(lap, reason=_reason(trace, lap)) for lap in laps]
    lengths = [lap.length_m for lap in laps if lap.valid]
    if len(lengths) >= 3:
        usual = float(np.median(lengths))
        for k, lap in enumerate(laps):
            off = lap.length_m / usual - 1.0
            if lap.valid and abs(off) > OTHER_LENGTH:
                what = "incomplete or cut" if off < 0 else "too long"
                laps[k] = replace(lap, reason=f"{what}: {lap.length_m:.0f} m, the other laps have {usual:.0f} m")
    return refuse_slow(tuple(laps))


def refuse_slow(laps: tuple[Lap, ...]) -> tuple[Lap, ...]:
    """Refuse laps far slower than the best valid one."""
    times = [lap.time_s for lap in laps if lap.valid]
    if not times:
        return laps
    best = min(times)
    return tuple(
        replace(lap, reason=f"too slow: {lap.time_s:.3f} s, the best lap has {best:.3f} s")
        if lap.valid and lap.time_s > SLOW * best
        else lap
        for lap in laps
    )


def _longest(trace: Recording, lap: Lap, flag: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> tuple[float, float]:
    """Return the longest time [s] for which ``flag`` (one per frame) holds within the lap, and its start on
    the clock.
    """
    i, j = np.searchsorted(trace.clock, [lap.start, lap.stop])
    on = flag[i:j]
    t = np.append(trace.clock[i:j], trace.clock[min(j, len(trace.clock) - 1)])
    spans = [(float(t[b + 1] - t[a]), float(t[a])) for a, b in stretches(on)]
    return max(spans, key=lambda span: span[0], default=(0.0, lap.start))


def _reason(trace: Recording, lap: Lap) -> str:
    def way(clock: float) -> str:
        here = np.interp([lap.start, clock], trace.clock, trace.odometer)
        return f"{here[1] - here[0]:.0f} m after the line"

    for clock, what in trace.breaks:
        if lap.start - 1e-6 < clock < lap.stop:
            return f"{what}, {way(clock)}"
    if lap.length_m < SHORTEST_M:
        return f"incomplete: only {lap.length_m:.0f} m long"
    if lack := _lack(trace, lap):
        return lack
    pit = trace.channels["in_pit"] > 0.5
    span, where = _longest(trace, lap, pit)
    if span > 0:
        third = lap.time_s / 3
        if where < lap.start + 1.0:
            return "out-lap"
        return "in-lap" if where > lap.stop - third else f"pit, {way(where)}"
    if lap.number == 0 and np.nanmin(trace.channels["lap"], initial=1.0) == 0.0:
        return "out-lap"
    span, where = _longest(trace, lap, trace.speed < STOPPED_MPS)
    if span > STOPPED_S:
        return f"stopped for {span:.1f} s, {way(where)}"
    off = trace.channels["wheels_off"] >= WHEELS_OFF
    span, where = _longest(trace, lap, off)
    if span >= WHEELS_OFF_S:
        return f"cut: {WHEELS_OFF} wheels or more off the track for {span:.1f} s, {way(where)}"
    return ""


def _lack(trace: Recording, lap: Lap) -> str:
    """Return what is missing to locate the car throughout the lap; "" if nothing is."""
    if trace.has_positions:
        i, j = np.searchsorted(trace.p_clock, [lap.start, lap.stop])
        t = trace.p_clock[i:j]
        way = float(np.hypot(np.diff(trace.xs[i:j]), np.diff(trace.ys[i:j])).sum())
        if abs(way / lap.length_m - 1.0) > DISAGREE:
            return f"positions and speed disagree: {way:.0f} m by positions, {lap.length_m:.0f} m by speed"
    else:
        i, j = np.searchsorted(trace.clock, [lap.start, lap.stop])
        known = np.isfinite(trace.channels["lap_distance_m"][i:j]) | np.isfinite(trace.channels["lap_fraction"][i:j])
        t = trace.clock[i:j][known]
    wait = float(np.diff(np.concatenate([[lap.start], t, [lap.stop]])).max())
    # a stationary car gives few positions: the check below detects a stop
    driven = wait * lap.length_m / lap.time_s
    if len(t) < FEWEST_PLACES or (wait > LONGEST_WAIT_S and driven > 10.0):
        return f"places unknown for {wait:.1f} s"
    return ""


def _runs(trace: Recording) -> list[tuple[float, float]]:
    """Return the pieces in which the car moves, from the clock of the first to that of the last moving frame."""
    moving = trace.speed > STOPPED_MPS
    edge = np.flatnonzero(np.diff(np.concatenate([[0], (moving & True).astype(np.int8), [0]])))
    pieces: list[tuple[float, float]] = []
    for a, b in zip(edge[::2].tolist(), (edge[1::2] - 1).tolist(), strict=True):
        for c in np.split(np.arange(a, b + 1), np.flatnonzero(np.diff(trace.chunk[a : b + 1])) + 1):
            start, stop = float(trace.clock[c[0]]), float(trace.clock[c[-1]])
            if pieces and start - pieces[-1][1] < STOPPED_S and trace.chunk[c[0]] == trace.chunk[max(c[0] - 1, 0)]:
                pieces[-1] = (pieces[-1][0], stop)
            else:
                pieces.append((start, stop))
    return [(a, b) for a, b in pieces if float(np.diff(np.interp([a, b], trace.clock, trace.odometer))[0]) > 300.0]


def _one_way(trace: Recording) -> Cut:
    """Return a course from one place to another: the longest run names its start and finish, other runs
    must pass both.
    """
    runs = _runs(trace)
    if not runs:
        raise SurveyError("expected 300 m of driving without a break, found less: there is no lap in it")
    way = [float(np.diff(np.interp(run, trace.clock, trace.odometer))[0]) for run in runs]
    a, b = runs[int(np.argmax(way))]
    gates = []
    for clock, move in ((a, 5.0), (b, -5.0)):
        home = float(np.interp(clock, trace.clock, trace.odometer)) + move
        when = float(np.interp(home, trace.odometer, trace.clock))
        x, y = np.interp(when, trace.p_clock, trace.xs), np.interp(when, trace.p_clock, trace.ys)
        i = int(np.clip(np.searchsorted(trace.p_clock, when), 0, len(trace.p_clock) - 1))
        gates.append(Seam(float(x), float(y), float(trace.course[i])))
    starts, stops = (np.array([p.clock for p in passages(trace, g, edges=False)]) for g in gates)
    laps = []
    for number, (first, last) in enumerate(runs, start=1):
        begin = starts[(starts >= first) & (starts <= last)]
        end = stops[(stops >= first) & (stops <= last)]
        if len(begin) and len(end) and begin[0] < end[-1]:
            laps.append(_lap(trace, number, float(begin[0]), float(end[-1]), ""))
        else:
            laps.append(_lap(trace, number, first, last, "incomplete: it does not pass both start and finish"))
    return Cut(_judged(trace, laps), False, gates[0], "one way from start to finish: no place is passed twice")


def _one_way_by_distance(trace: Recording) -> Cut:
    runs = _runs(trace)
    if not runs:
        raise SurveyError("expected 300 m of driving without a break, found less: there is no lap in it")
    laps = [_lap(trace, k, a, b, "") for k, (a, b) in enumerate(runs, start=1)]
    return Cut(_judged(trace, laps), False, None, "one way: the lap distance never starts again")
