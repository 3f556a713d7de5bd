"""Builds the debrief page of a session: losses, map, traces, dots, cues."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from coach.app.rerun.rerun import Rerun, settle_findings
from coach.app.review.debrief import SHOWN_GAINS, Debrief, Gain, LapLoss, known
from coach.app.review.lap_traces import grip_summary, grip_views, lap_traces
from coach.app.review.mean_losses import mean_losses
from coach.app.review.remembering import session_attempts
from coach.app.setup import Setup
from coach.core.columns import Floats
from coach.core.cue.reasons import Reason
from coach.core.diagnose.advice import to_do, what
from coach.core.track.zones import Zone
from coach.core.unit_system import Units
from coach.core.values import Decision, Mark
from coach.errors import SessionError
from coach.files import write_atomically
from coach.outputs.console import lap_time
from coach.pages.debrief import CornerView, CueView, DebriefView, GainView, LapChoice, LapView, ScatterView
from coach.pages.dots import Dot, Scales, dots_chart, shared_scales
from coach.pages.render import signed
from coach.pages.traces import Traces, lap_looks, lap_name, trace_chart
from coach.pages.track_map import TrackMap
from coach.session.answers import Attempt, share

BAR_REM_PER_S: Final = 6.0
MOST_CUES: Final = 200
_DASH: Final = {"solid": "none", "dashed": "6 4", "dotted": "2 3"}


def write_page(path: Path, text: str) -> None:
    """Write the whole page or nothing; raise SessionError on failure."""
    try:
        write_atomically(path, text.encode())
    except OSError as error:
        raise SessionError(str(path), f"the page cannot be written ({error.strerror})") from None


def debrief_view(
    done: Debrief,
    result: Rerun,
    setup: Setup,
    decisions: Sequence[Decision],
    subtitle: str,
    marks: Sequence[Mark] = (),
) -> DebriefView:
    """Return debrief and traces in the words and numbers of the page."""
    system = setup.rules.units
    traces = lap_traces(result, setup.reference, system)
    zones = {zone.corner.name: zone for zone in result.pipeline.track_model.zones}
    track = TrackMap(setup.reference, setup.corners, marks)
    corners = _corners(done, zones, system)
    lost = {c.name: c.total for c in corners}
    labels, pieces = [], []
    if track.known:
        labels = track.labels([signed(lost[c.name]) if c.name in lost else "" for c in setup.corners])
        pieces = track.pieces(traces.s_m, _mean_delta(traces, done))
    found = session_attempts(settle_findings(result), decisions, setup)
    return DebriefView(
        circuit=done.circuit,
        subtitle=subtitle,
        facts=_facts(done),
        notes=(*done.notes, *unanswered(decisions)),
        gains=[_gain(g, zones[g.corner], lost.get(g.corner), system) for g in done.gains[:SHOWN_GAINS]],
        map=track,
        pieces=pieces,
        labels=labels,
        corners=corners,
        laps=[_lap(lap, done.best_lap) for lap in done.laps],
        chart=trace_chart(traces, setup.corners) if traces.laps else None,
        lap_choices=_choices(traces, done),
        scatters=_scatters(setup, done, result),
        cues=_cues(decisions, found),
        answered=answered_text(found),
        footer=f"Reference: {lap_time(done.reference_s)}, {done.length_m:.0f} m. Profile: {setup.source}. "
        "This advice comes from numbers: your own eyes, the marshals and local rules come first.",
        grip=grip_views(done, result, system),
        grip_summary=grip_summary(done),
    )


def unanswered(decisions: Sequence[Decision]) -> tuple[str, ...]:
    """Return a note for each corner that rested because the cues changed nothing: another voice is needed there."""
    out = []
    for corner in dict.fromkeys(d.corner for d in decisions if d.reason == Reason.NO_RESPONSE):
        said = [d for d in decisions if (d.corner, d.family, d.outcome) == (corner, "correction", "spoken")]
        if said:
            cues = "1 cue" if len(said) == 1 else f"{len(said)} cues"
            out.append(
                f'{corner}: {cues} changed nothing, the last was "{said[-1].text}"; look at it with your instructor'
            )
    return tuple(out)


def _facts(done: Debrief) -> list[tuple[str, str]]:
    valid = [lap for lap in done.laps if lap.valid]
    best = min((lap.time_s for lap in valid), default=math.nan)
    out = [("laps (valid)", f"{len(done.laps)} ({len(valid)})")]
    if valid:
        out.append(("best lap", f"{lap_time(best)} (lap {done.best_lap})"))
    if done.possible_best_s is not None:
        out.append(("theoretical best", lap_time(done.possible_best_s)))
    out.append(("reference", lap_time(done.reference_s)))
    if len(valid) > 1:
        out.append(("consistency of lap times", f"± {np.std([lap.time_s for lap in valid], ddof=1):.2f} s"))
    return out


def _gain(gain: Gain, zone: Zone, lost_s: float | None, system: Units) -> GainView:
    return GainView(
        gain.corner,
        f"{gain.cost_s:.2f} s per lap",
        what(gain.fault, gain.amount, system, gain.apex),
        to_do(gain.fault, gain.amount, system, gain.apex),
        f"seen in {gain.laps} of {gain.of} passes",
        share_text(gain.cost_s, lost_s),
        *_stretch(zone, system),
    )


def share_text(cost_s: float, lost_s: float | None) -> str:
    """Explain a fault's cost beside its corner's loss per lap [s], so that the two numbers do not confuse."""
    if lost_s is None:
        return "the table has no valid lap of this corner"
    total = f"{signed(lost_s)} s per lap"
    if abs(cost_s - lost_s) < 0.005:
        return f"all of the corner's loss in the table ({total})"
    if cost_s < lost_s:
        return f"part of the corner's loss in the table ({total}); the rest has no single cause"
    return f"more than the corner's loss in the table ({total}): time gained elsewhere in the corner hides part of it"


def _stretch(zone: Zone, system: Units) -> tuple[float, float]:
    """Return the ends of the part of the distance axis that shows a corner, in the units of ``system``."""
    return round((zone.start_m - 20.0) * system.per_m, 1), round((zone.end_m + 80.0) * system.per_m, 1)


def _corners(done: Debrief, zones: Mapping[str, Zone], system: Units) -> list[CornerView]:
    spread = {s.corner: s for s in done.spread}
    means = {mean.corner: mean for mean in mean_losses(done)}
    out = []
    for name, zone in zones.items():
        mean, s = means.get(name), spread.get(name)
        if mean is None:
            continue
        out.append(
            CornerView(
                name,
                mean.total_s,
                mean.parts,
                f"± {s.loss_s:.2f}" if s is not None else "-",
                f"± {system.length_text(s.brake_start_m, 1)}" if s is not None and s.brake_start_m is not None else "-",
                f"± {system.speed_text(s.min_speed_mps, 1)}" if s is not None and s.min_speed_mps is not None else "-",
                min(abs(mean.total_s) * BAR_REM_PER_S, 5.0),
                *_stretch(zone, system),
            )
        )
    return out


def _mean_delta(traces: Traces, done: Debrief) -> Floats:
    """Return the mean time lost up to each place over the laps that count [s]; NaN where no lap has a trace."""
    valid = {lap.lap for lap in done.laps if lap.valid}
    rows = [channels["delta"] for lap, channels in traces.laps.items() if lap in valid]
    if not rows:
        return np.full(len(traces.s_m), np.nan)
    stack = np.array(rows)
    there = np.isfinite(stack)
    count = there.sum(axis=0)
    total = np.where(there, stack, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _lap(lap: LapLoss, best: int) -> LapView:
    mark = "best" if lap.lap == best else "" if lap.valid else f"not valid: {lap.why_invalid}"
    return LapView(lap.lap, lap_time(lap.time_s), lap.delta_s, mark)


def _choices(traces: Traces, done: Debrief) -> list[LapChoice]:
    times = {lap.lap: lap for lap in done.laps}
    out = []
    for lap, look in sorted(lap_looks(traces).items()):
        text = f"{lap}: {lap_time(times[lap].time_s)}" + (" best" if lap == done.best_lap else "")
        out.append(LapChoice(lap_name(lap), text, look["color"], _DASH[look["type"]], lap in traces.shown))
    return out


def _scatters(setup: Setup, done: Debrief, result: Rerun) -> list[ScatterView]:
    """Return every corner's dots, as differences from the reference on one scale for all corners."""
    system = setup.rules.units
    every = [_differences(i, done, result, system) for i in range(len(setup.corners))]
    scales = shared_scales(every)
    return [_scatter(c.name, dots, done, scales, system) for c, dots in zip(setup.corners, every, strict=True)]


def _differences(corner: int, done: Debrief, result: Rerun, system: Units) -> list[Dot]:
    mine = result.pipeline.track_model.builder.corners[corner].measures
    brake, slowest = known(mine.get("brake_start_m", math.nan)), known(mine.get("min_speed_mps", math.nan))

    def less(value: float, base: float | None, factor: float) -> float | None:
        return None if known(value) is None or base is None else (value - base) * factor

    return [
        Dot(p.lap, less(p.measures.get("brake_start_m", math.nan), brake, system.per_m),
            less(p.measures.get("min_speed_mps", math.nan), slowest, system.per_mps),
            p.valid, p.lap == done.best_lap)
        for p in result.events.passes
        if p.corner == corner
    ]  # fmt: skip


def _scatter(name: str, dots: Sequence[Dot], done: Debrief, scales: Scales, system: Units) -> ScatterView:
    spread = next((s for s in done.spread if s.corner == name), None)
    words = []
    if spread is not None and spread.brake_start_m is not None:
        words.append(f"brake point ± {system.length_text(spread.brake_start_m, 1)}")
    if spread is not None and spread.min_speed_mps is not None:
        words.append(f"minimum speed ± {system.speed_text(spread.min_speed_mps, 1)}")
    described = f"{name}: brake point and minimum speed of {len(dots)} laps; {', '.join(words) or 'too few valid laps'}"
    return ScatterView(name, ", ".join(words), described, dots_chart(dots, scales, system))


def _cues(decisions: Sequence[Decision], found: Sequence[Attempt]) -> list[CueView]:
    by_cue = {(a.said.lap, a.said.corner, a.said.fault): a for a in found if a.said.spoken}
    spoken = [d for d in decisions if d.outcome == "spoken"]
    out = []
    for d in spoken[-MOST_CUES:]:
        attempt = by_cue.get((d.lap, d.corner, d.fault)) if d.family == "correction" else None
        out.append(CueView(d.lap, d.corner, d.text, d.family, "" if attempt is None else attempt_text(attempt)))
    return out


def attempt_text(a: Attempt) -> str:
    """Return the result of one cue in one line."""
    seen = f"{a.seen_after} of {a.passes_after}, before {a.seen_before} of {a.passes_before}"
    change = f"time lost {signed(a.after_s - a.before_s)} s"
    return f"{'worked' if a.worked else 'did not work'}: fault in {seen}; {change}"


def answered_text(found: Sequence[Attempt]) -> str:
    """Return how many corrections worked, beside the held ones."""
    spoken, held = share([a for a in found if a.said.spoken]), share([a for a in found if not a.said.spoken])
    if not spoken.of:
        return "No correction has passes before and after it yet: nothing to compare."
    text = (
        f"In the next three passes the fault was rarer after {spoken.worked} of {spoken.of} corrections "
        f"(95 % interval {spoken.low * 100:.0f} to {spoken.high * 100:.0f} %)"
    )
    if held.of:
        text += (
            f"; without a cue it was rarer {held.worked} of {held.of} times "
            f"({held.low * 100:.0f} to {held.high * 100:.0f} %)"
        )
    return text + "."
