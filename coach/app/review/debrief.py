"""Where the time went, lap by lap and corner by corner: the debrief as data, for the terminal, a page or a program."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Final

import msgspec
import numpy as np

from coach.app.rerun.rerun import Rerun, settle_findings
from coach.app.review.conditions import AS_USUAL, by_lap, told
from coach.app.review.controls import Controls, control_lines, controls_of
from coach.app.review.headroom import median_of, session_headroom
from coach.app.review.theoretical_best import theoretical_best_lap
from coach.app.setup import Setup
from coach.core.measure.grip_meter import MEASURES
from coach.core.measure.grip_use import PHASES
from coach.core.measure.headroom import Headroom
from coach.core.measure.lap_ledger import SLOW, short_note
from coach.core.measure.passes import PARTS, LossPiece, PassRecord
from coach.core.values import Finding, Mark, Pass
from coach.pages.track_map import mark_lines

SCHEMA: Final = 1
START: Final = "start"
"""Entry name of the stretch from the line to the first corner."""
TOO_SLOW: Final = "too slow"
FAR_OFF_PACE: Final = SLOW - 1.0
"""A best lap this far off the reference's time means another car or easy driving (common practice)."""
SHOWN_GAINS: Final = 3
"""A driver can work on this many at most."""


class CornerLoss(msgspec.Struct, frozen=True):
    """One corner of one lap. Times [s], positive when lost; measures and gaps in SI, null where not known."""

    corner: str
    loss_s: float
    loss_entry_s: float
    loss_middle_s: float
    loss_exit_s: float
    loss_straight_s: float
    measures: dict[str, float | None]
    gaps: dict[str, float | None]
    findings: tuple[Finding, ...]


class LapLoss(msgspec.Struct, frozen=True):
    """One lap; ``delta_s`` is the sum of its corners' losses on corner and straight."""

    lap: int
    time_s: float
    valid: bool
    delta_s: float
    corners: tuple[CornerLoss, ...]
    why_invalid: str = ""
    condition: str = ""
    """Condition of car and road in words, "" if as in the reference."""
    grip: float = 1.0
    """Share of the reference's grip available at the end of the lap; ``power`` likewise for the engine."""
    power: float = 1.0


class Gain(msgspec.Struct, frozen=True):
    """A potential gain: a recurring fault, and its cost in a typical lap [s]."""

    corner: str
    fault: str
    cost_s: float
    amount: float
    unit: str
    laps: int
    of: int
    apex: int = 0
    """At which apex, from 1, of a corner that has several; 0 where it is no matter of one apex."""


class Spread(msgspec.Struct, frozen=True):
    """Consistency in one corner: standard deviations over valid passes."""

    corner: str
    passes: int
    loss_s: float
    brake_start_m: float | None
    min_speed_mps: float | None


class CornerHeadroom(msgspec.Struct, frozen=True):
    """Time a corner and its straight lose to the reachable lap in a typical pass [s], with its 90 % interval.

    ``parts`` are those of braking, entry, middle, exit and straight; ``grip_use`` the share of the car's limits used in
    each phase, null where unknown. ``phase`` and ``fault`` name the point to work on, empty if nothing stands out.
    """

    corner: str
    headroom_s: float
    low_s: float
    high_s: float
    parts: dict[str, float]
    grip_use: dict[str, float | None]
    phase: str
    fault: str
    amount: float


class Debrief(msgspec.Struct, frozen=True):
    """The whole session against the reference."""

    schema: int
    circuit: str
    length_m: float
    best_lap: int
    possible_best_s: float | None
    laps: tuple[LapLoss, ...]
    reference_s: float
    gains: tuple[Gain, ...] = ()
    spread: tuple[Spread, ...] = ()
    notes: tuple[str, ...] = ()
    reachable_s: float | None = None
    reachable_at_least: bool = False
    headroom: tuple[CornerHeadroom, ...] = ()
    controls: tuple[Controls, ...] = ()


def debrief(result: Rerun, setup: Setup, marks: Sequence[Mark] = ()) -> Debrief:
    """Build the debrief of a rerun session."""
    names = [corner.name for corner in setup.corners]
    passes = settle_findings(result)
    by_pass = {(p.lap, p.corner): p for p in passes}
    pieces: dict[int, list[LossPiece]] = defaultdict(list)
    for piece in result.pieces:
        pieces[piece.lap].append(piece)
    days = by_lap(result.pipeline.judged)
    laps = []
    for done in result.events.laps:
        corners = _corners(done.lap, pieces[done.lap], names, by_pass)
        delta = math.fsum(c.loss_s + c.loss_straight_s for c in corners)
        now = days.get(done.lap, AS_USUAL)
        laps.append(
            LapLoss(done.lap, done.time_s, done.valid, delta, corners, done.why_invalid, now.words, now.grip, now.power)
        )
    laps = _without_slow(laps)
    slow = {lap.lap for lap in laps if lap.why_invalid == TOO_SLOW}
    valid = [lap for lap in laps if lap.valid]
    best = min(valid, key=lambda lap: lap.time_s, default=None)
    good = [p for p in passes if p.valid and p.lap not in slow]
    possible, _ = theoretical_best_lap(
        [d for d in result.pipeline.kept or [] if _counts(d.lap, d.corner, by_pass)], result.pipeline.track_model.zones
    )
    counting = [d for d in result.pipeline.kept or [] if _counts(d.lap, d.corner, by_pass) and d.lap not in slow]
    left = session_headroom(result, setup.reference, counting)
    marked = [f"You marked {line}." for line in mark_lines(marks, setup.corners, setup.reference)]
    sampled = [result.sampled] if result.sampled else []
    sampled += [short_note(lap.lap, lap.short_m) for lap in result.events.laps if lap.valid and lap.short_m]
    controls = controls_of(good, setup.corners)
    notes = (*setup.notes, *sampled, *marked, *told(days), *((left.missing,) if left.missing else ()))
    notes = (*notes, *control_lines(controls))
    if best is not None:
        possible = min(possible, best.time_s) if possible == possible else best.time_s
    return Debrief(
        SCHEMA,
        setup.circuit,
        setup.reference.length_m,
        best.lap if best is not None else 0,
        possible if possible == possible else None,
        tuple(laps),
        setup.reference.lap_time_s,
        _gains(good, names),
        _spread(good, names),
        (*notes, *unlike(best.time_s, setup.reference.lap_time_s)) if best is not None else notes,
        left.reachable_s,
        left.at_least,
        tuple(_headroom(one, names, counting) for one in left.corners),
        controls,
    )


def _headroom(one: Headroom, names: Sequence[str], passes: Sequence[PassRecord]) -> CornerHeadroom:
    here = [d for d in passes if d.corner == one.corner]
    use = {phase: known(median_of(here, name)) for phase, name in zip(PHASES, MEASURES, strict=True)}
    return CornerHeadroom(
        names[one.corner], one.total_s, one.low_s, one.high_s, one.parts, use, one.phase, one.fault, one.amount
    )


def unlike(best_s: float, reference_s: float) -> tuple[str, ...]:
    """Return a notice about laps far from the reference's pace; "" if they are near it."""
    off = best_s / reference_s - 1.0
    if abs(off) <= FAR_OFF_PACE:
        return ()
    what = "slower" if off > 0.0 else "faster"
    return (
        f"the best lap is {abs(off):.0%} {what} than the reference: another car, or another pace. Little can be told "
        f"from such a comparison; make a profile from laps like these (coach survey)",
    )


def _without_slow(laps: list[LapLoss]) -> list[LapLoss]:
    """Drop laps far slower than the best, driven in traffic or to cool down, as in the survey."""
    best = min((lap.time_s for lap in laps if lap.valid), default=0.0)
    return [
        msgspec.structs.replace(lap, valid=False, why_invalid=TOO_SLOW)
        if lap.valid and lap.time_s > SLOW * best
        else lap
        for lap in laps
    ]


def _counts(lap: int, corner: int, by_pass: dict[tuple[int, int], Pass]) -> bool:
    found = by_pass.get((lap, corner))
    return found is not None and found.valid


def _corners(
    lap: int, pieces: Sequence[LossPiece], names: Sequence[str], by_pass: dict[tuple[int, int], Pass]
) -> tuple[CornerLoss, ...]:
    """Return the corners of a lap in driving order.

    A corner that began in the previous lap is the entry ``start``; the part that belongs to the next lap's first corner
    counts to the straight of this lap's last one.
    """
    start: dict[str, float] = defaultdict(float)
    own: dict[int, dict[str, float]] = {}
    for piece in pieces:
        if piece.began < piece.lap:
            start[piece.part] += piece.loss_s
        elif piece.began > piece.lap:
            last = own.setdefault(len(names) - 1, defaultdict(float))
            last["straight"] += piece.loss_s
        else:
            own.setdefault(piece.corner, defaultdict(float))[piece.part] += piece.loss_s
    out = [_entry(names[corner], parts, by_pass.get((lap, corner))) for corner, parts in own.items()]
    return (_entry(START, start, None), *out) if start else tuple(out)


def _entry(name: str, parts: Mapping[str, float], found: Pass | None) -> CornerLoss:
    entry, middle, exit_, straight = (parts.get(part, 0.0) for part in PARTS)
    return CornerLoss(
        name,
        math.fsum((entry, middle, exit_)),
        entry,
        middle,
        exit_,
        straight,
        {name: known(value) for name, value in found.measures.items()} if found is not None else {},
        {name: known(value) for name, value in found.gaps.items()} if found is not None else {},
        found.findings if found is not None else (),
    )


def known(value: float) -> float | None:
    """Return ``value``, or None where it is NaN or infinite: programs get null."""
    return value if math.isfinite(value) else None


def _gains(passes: Sequence[Pass], names: Sequence[str]) -> tuple[Gain, ...]:
    """Return faults by their cost over all laps, the costliest first."""
    found: dict[tuple[int, str, int], list[Finding]] = defaultdict(list)
    count: dict[int, int] = defaultdict(int)
    for one in passes:
        count[one.corner] += 1
        for finding in one.findings:
            found[one.corner, finding.fault, finding.apex].append(finding)
    gains = [
        Gain(
            names[corner],
            fault,
            math.fsum(f.cost_s for f in findings) / count[corner],
            float(np.median([f.amount for f in findings])),
            findings[0].unit,
            len(findings),
            count[corner],
            apex,
        )
        for (corner, fault, apex), findings in found.items()
    ]
    return tuple(sorted(gains, key=lambda g: (-g.cost_s, g.corner, g.fault, g.apex)))


def _spread(passes: Sequence[Pass], names: Sequence[str]) -> tuple[Spread, ...]:
    out = []
    for corner, name in enumerate(names):
        mine = [p for p in passes if p.corner == corner]
        if len(mine) >= 2:
            out.append(
                Spread(
                    name,
                    len(mine),
                    float(np.std([p.loss_s + p.loss_straight_s for p in mine], ddof=1)),
                    _sd([p.measures.get("brake_start_m", math.nan) for p in mine]),
                    _sd([p.measures.get("min_speed_mps", math.nan) for p in mine]),
                )
            )
    return tuple(out)


def _sd(values: Sequence[float]) -> float | None:
    known = [v for v in values if math.isfinite(v)]
    return float(np.std(known, ddof=1)) if len(known) >= 2 else None
