"""Surveys a recording: its reference and corners. The entry point of this room."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import numpy as np

from coach.core.columns import Columns, Floats
from coach.core.measure.lap_ledger import short_note
from coach.core.numeric.filled import filled_note
from coach.core.track.reference import Reference
from coach.core.values import Corner
from coach.survey.build_reference import build
from coach.survey.corners import find, lane
from coach.survey.distance_corners import corners_from_speed
from coach.survey.edges import FEWEST_LAPS, beside, refuse_off_road, with_edges
from coach.survey.envelope.samples import LapLines
from coach.survey.errors import NoValidLap
from coach.survey.laps import Cut, Lap, cut
from coach.survey.places import corners_of
from coach.survey.seam import Seam, seam_of
from coach.survey.trace import Recording, tidy

NEAR: Final = 0.03
MOST_LAPS: Final = 15


@dataclass(frozen=True, eq=False)
class Survey:
    """Result of a survey: ``laps`` holds every lap with its time and, if refused, the reason.

    ``notes`` are sentences for the user; ``reference_lap`` is the number of the lap that became the reference.
    """

    reference: Reference
    corners: tuple[Corner, ...]
    laps: tuple[Lap, ...]
    reference_lap: int
    notes: tuple[str, ...]
    trace: Recording
    lines: LapLines | None
    """Each lap beside the reference; None without positions."""


def survey(
    columns: Columns,
    *,
    circuit: str = "",
    reference_lap: int | None = None,
    previous: Reference | None = None,
    seam: Seam | None = None,
    inferred: Collection[str] = (),
) -> Survey:
    """Survey a recording.

    ``reference_lap`` selects a lap instead of the best valid one. ``previous`` is the reference of an earlier survey of
    this circuit: its finish line is kept (``seam`` sets a line directly). ``inferred`` are channels the feed did not
    measure: live inferred pedals lag, so the survey recomputes them from the whole lap and marks the reference. Raise
    SurveyError if the recording is too short, NoValidLap (with each lap's reason) if no lap can serve.
    """
    trace = tidy(_measured(columns, inferred))
    if seam is None and previous is not None and trace.has_positions:
        seam = seam_of(previous)
    made = cut(trace, seam)
    laps, closed = made.laps, made.closed
    notes = [_how(made, laps)]
    chosen = _choose(laps, reference_lap)
    reference = build(trace, chosen, circuit, closed)
    lines = None
    if trace.has_positions:
        offset, speed, curvature = beside(trace, laps, reference)
        kept = refuse_off_road(laps, offset, reference.step_m)
        if kept != laps:
            laps, before = kept, chosen
            chosen = _choose(laps, reference_lap)
            if chosen.number != before.number:
                reference = build(trace, chosen, circuit, closed)
                offset, speed, curvature = beside(trace, laps, reference)
        lines = LapLines(offset, speed, curvature, laps)
        valid = np.array([lap.valid for lap in laps])
        reference = with_edges(reference, offset[valid])
        if int(valid.sum()) < FEWEST_LAPS:
            notes.append(f"track edges unknown: {int(valid.sum())} valid laps, {FEWEST_LAPS} are needed")
        v, k, calm = baseline(reference, laps, speed, curvature)
        flat = lane(reference.step_m, v, k, reference.throttle, reference.brake, closed)
        corners = corners_of(reference, flat, find(flat), trace.lateral_noise * calm)
    else:
        steer = trace.value("steer", reference.t_s + chosen.start)
        corners = corners_from_speed(reference, steer)
        notes.append("no positions: corners come from the speed alone, and nothing is known of the line driven")
        if corners and np.isnan(steer).all():
            notes.append("no steering either: every corner is put down as a right-hander, set the directions by hand")
    notes += _absent(reference, trace, laps)
    if not corners:
        notes.append("no corner found: the car neither turns nor slows enough on this lap")
    return Survey(reference, corners, laps, chosen.number, tuple(notes), trace, lines)


def _measured(columns: Columns, inferred: Collection[str]) -> Columns:
    """Return the columns without inferred pedals."""
    guessed = [name for name in ("throttle", "brake") if name in inferred]
    if not guessed:
        return columns
    kept = Columns(columns.data.copy())
    for name in guessed:
        kept[name][:] = np.nan
    return kept


def _choose(laps: tuple[Lap, ...], wanted: int | None) -> Lap:
    valid = [lap for lap in laps if lap.valid]
    if wanted is not None:
        named = [lap for lap in laps if lap.number == wanted]
        if not named:
            numbers = ", ".join(str(lap.number) for lap in valid) or "none"
            raise NoValidLap(f"lap {wanted} is not in the recording; valid laps: {numbers}")
        if not named[0].valid:
            raise NoValidLap(f"lap {wanted} cannot be the reference: {named[0].reason}", (named[0].reason,))
        return named[0]
    if not valid:
        reasons = tuple(f"lap {lap.number}: {lap.reason}" for lap in laps)
        shown = "; ".join(reasons[:8]) + (f"; and {len(reasons) - 8} more" if len(reasons) > 8 else "")
        raise NoValidLap(f"no valid lap to survey ({shown})", reasons)
    # a lap with extrapolated last metres is the reference only if there is no other
    return min(valid, key=lambda lap: (lap.short_m > 0, lap.time_s))


def _how(made: Cut, laps: tuple[Lap, ...]) -> str:
    what = "laps" if made.closed else "runs"
    return f"{len(laps)} {what}, {sum(lap.valid for lap in laps)} valid; {made.how}"


def _absent(reference: Reference, trace: Recording, laps: tuple[Lap, ...]) -> list[str]:
    notes = [short_note(lap.number, lap.short_m) for lap in laps if lap.valid and lap.short_m]
    if trace.filled_hz:
        notes.append(filled_note(trace.filled_hz, trace.measured_hz))
    if not trace.has_speed:
        notes.append("no speed in the recording: taken from the positions")
    if reference.inferred_pedals:
        notes.append("no pedals in the recording: throttle and brake are inferred from the acceleration")
    if np.isnan(reference.z_m).all():
        notes.append("no height in the recording: gradients are unknown")
    if np.isnan(reference.gear).all():
        notes.append("no gear in the recording")
    return notes


def baseline(
    reference: Reference, laps: tuple[Lap, ...], speed: Floats, curvature: Floats
) -> tuple[Floats, Floats, float]:
    """Return speed and curvature at the nodes, shapes (n,), and the share of one lap's noise that is left in them.

    The reference's own with fewer than three good laps.
    """
    times = [lap.time_s if lap.valid else np.inf for lap in laps]
    order = np.argsort(times)
    good = [int(i) for i in order if times[int(i)] <= min(times) * (1 + NEAR)][:MOST_LAPS]
    if len(good) < FEWEST_LAPS:
        return reference.speed_mps, reference.curvature_pm, 1.0
    known = np.isfinite(speed[good]).all(axis=0) & np.isfinite(curvature[good]).all(axis=0)
    v = np.where(known, np.median(np.where(known, speed[good], 0.0), axis=0), reference.speed_mps)
    k = np.where(known, np.median(np.where(known, curvature[good], 0.0), axis=0), reference.curvature_pm)
    # the median of n has 1.25 times the noise of their mean
    return v, k, float(1.25 / np.sqrt(len(good)))
