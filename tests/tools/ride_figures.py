"""A ride after its link or receiver: order of the corners, findings against truth, errors."""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from fault_sessions import Truth
from rides import FAULTS, Ride, when
from simulated import match_corners
from survey_bench import station

from coach.app.rerun.rerun import rerun, settle_findings
from coach.app.setup import Setup
from coach.core.columns import Columns, Floats
from coach.core.cue.rules import RuleSet
from coach.core.measure.passes import PassRecord
from coach.core.track.projection import ReferenceLine
from coach.core.track.reference import Reference
from coach.core.values import LapDone, Pass
from coach.survey import Survey
from feeds.practice.faultless import Faultless

SMALL_S = 0.03
"""A fault that costs less is no fault to find: about the scatter of one corner (as in fault_bench)."""
PAIRED = (
    "brake_start_m", "brake_peak", "brake_release_m", "throttle_start_m", "full_throttle_m", "min_speed_mps",
    "exit_speed_mps", "turn_in_m", "apex_offset_m", "exit_offset_m", "coast_s",
)  # fmt: skip


@dataclass
class Figures:
    """Results of one or more rides."""

    passes: int = 0
    due: int = 0
    misplaced: int = 0
    out_of_order: int = 0
    unseen: int = 0
    recall: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    right: Counter[str] = field(default_factory=Counter)
    wrong: Counter[str] = field(default_factory=Counter)
    faultless: int = 0
    off: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))

    def add(self, other: Figures) -> None:
        """Take in another ride."""
        for name in ("passes", "due", "misplaced", "out_of_order", "unseen", "faultless"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.right.update(other.right)
        self.wrong.update(other.wrong)
        for fault, hits in other.recall.items():
            self.recall[fault] += hits
        for name, values in other.off.items():
            self.off[name] += values

    @property
    def precision(self) -> float:
        """Share of the findings whose fault was driven in that pass."""
        right, wrong = self.right.total(), self.wrong.total()
        return right / max(right + wrong, 1)

    def text(self) -> str:
        """Lines for a person."""
        found = [hit for hits in self.recall.values() for hit in hits]
        lines = [
            f"   corners: {self.passes} passes measured, {self.misplaced} at the wrong place, {self.out_of_order} out"
            f" of order; {self.unseen} of {self.due} lost",
            f"   findings: precision {self.precision:.3f} ({self.right.total()} right, {self.wrong.total()} wrong;"
            f" {self.faultless} faultless passes), recall {np.mean(found):.3f} of {len(found)}",
        ]
        for fault in FAULTS:
            hits, right, wrong = self.recall[fault], self.right[fault], self.wrong[fault]
            lines.append(f"      {fault:14s} recall {np.mean(hits or [False]):.2f} of {len(hits):3d},"
                         f" precision {right / max(right + wrong, 1):.2f} of {right + wrong:3d}")  # fmt: skip
        others = {k: v for k, v in self.wrong.items() if k not in FAULTS}
        lines.append(f"      never driven but reported: {others or 'none'}")
        for name, values in self.off.items():
            e = np.array(values)
            e = e[np.isfinite(e)]
            q = np.quantile(np.abs(e - np.median(e)), (0.5, 0.9)) if len(e) else (np.nan, np.nan)
            lines.append(f"      {name}: {len(e)} of {len(values)} known, shifted by {np.median(e):+.3f},"
                         f" scatter 50/90 % {q[0]:.3f}/{q[1]:.3f}")  # fmt: skip
        return "\n".join(lines)


@dataclass
class Measured:
    """The passes of a record, each with the true time of its apex, and the laps."""

    pairs: list[tuple[Pass, PassRecord]]
    at: Floats
    laps: list[LapDone]


def measured(ride: Ride, columns: Columns, made: Survey) -> Measured:
    """Rerun the record against the survey."""
    base = ride.runs[0][2].base
    result = rerun([columns], Setup("bench", made.reference, made.corners, RuleSet("none", "improving", ())))
    both = list(zip(settle_findings(result), result.pipeline.kept or [], strict=True))
    pairs = [(p, d) for p, d in both if d.trace is not None]
    told = [d.trace.at("t_s", d.zone.apex_m) for _, d in pairs if d.trace is not None]
    places = [station(base, made, c.apex_m) for c in made.corners]
    at = ride.true_times(told, [places[d.corner] for _, d in pairs])
    return Measured(pairs, at, result.events.laps)


def figures(ride: Ride, columns: Columns, made: Survey) -> Figures:
    """Hold a record against what was driven."""
    got = measured(ride, columns, made)
    base = ride.runs[0][2].base
    out = Figures(passes=len(got.pairs))
    ordering(out, ride, made, got.pairs, got.at)
    score(out, ride.truth(), got.pairs, got.at)
    errors(out, ride, made, got.pairs, got.at, match_corners(base, made.corners, made.reference))
    lap_errors(out, ride, made, got.laps)
    return out


def ordering(out: Figures, ride: Ride, made: Survey, pairs: list[tuple[Pass, PassRecord]], at: Floats) -> None:
    """Count passes at the wrong place, out of order, and those that should be there and are not."""
    base = ride.runs[0][2].base
    n = len(made.corners)
    places = [station(base, made, c.apex_m) for c in made.corners]
    torn = sorted([*(t for t, _ in ride.shifts[1:]), *(cut for _, cut, _ in ride.runs)])
    for k, (_, d) in enumerate(pairs):
        out.misplaced += not abs(ride.gap_m(float(at[k]), places[d.corner])) <= 30.0
        whole = k > 0 and not any(at[k - 1] <= t <= at[k] for t in torn)
        out.out_of_order += whole and d.corner != (pairs[k - 1][1].corner + 1) % n
    for begin, cut, run in ride.runs:
        end = begin + run.lap_start_s[max(run.lap_start_s)]
        for lap in sorted(run.lap_start_s)[:-1]:
            for c, place in enumerate(places):
                t = begin + when(run, lap, place)
                # what lies ten seconds from the next tear can be measured whole
                if begin + 15.0 < t < min(cut, end) - 12.0 and all(abs(t - x) > 12.0 for x in torn):
                    out.due += 1
                    out.unseen += not any(
                        d.corner == c and abs(x - t) < 3.0 for (_, d), x in zip(pairs, at, strict=True)
                    )


def score(out: Figures, truth: list[Truth], pairs: list[tuple[Pass, PassRecord]], at: Floats) -> None:
    """Findings against faults, as fault_bench counts them; the pass right after a faulty one counts neither way."""
    hit: dict[int, list[Truth]] = defaultdict(list)
    for t in truth:
        near = np.flatnonzero(np.abs(at - t.t_s) < 5.0)
        if len(near):
            hit[int(max(near, key=lambda i: pairs[i][1].total_s))].append(t)
    for i, (p, _) in enumerate(pairs):
        names = {f.fault for f in p.findings}
        if i not in hit:
            if i - 1 not in hit:
                out.faultless += 1
                out.wrong.update(names)
            continue
        real = [t.fault for t in hit[i]]
        for t in hit[i]:
            if t.cost_s >= SMALL_S:
                out.recall[t.fault].append(t.fault in names)
        out.right.update(n for n in names if n in real)
        out.wrong.update(n for n in names if n not in real)


def errors(
    out: Figures, ride: Ride, made: Survey, pairs: list[tuple[Pass, PassRecord]], at: Floats, of_sim: dict[int, int]
) -> None:
    """Measures against the simulator's own, noise-free ones."""
    line, length = ReferenceLine(made.reference), made.reference.length_m
    for (p, d), t in zip(pairs, at.tolist(), strict=True):
        here = ride.at(t)
        if here is None or d.corner not in of_sim:
            continue
        run, own = here
        corner = run.base.corners[of_sim[d.corner]]
        if not corner.braked:
            continue
        c, circuit = run.channels, run.base.circuit
        i, mid, j = np.searchsorted(c["t_s"], [own - 12.0, own, own + 8.0])
        driven = c["lap"][i:j] * circuit.length_m + c["lap_distance_m"][i:j]
        lap = round((float(driven[mid - i]) - corner.apex_m) / circuit.length_m) * circuit.length_m
        if d.trace is not None:
            # over the same stretch as the product's
            a, b, apex = (d.trace.at("t_s", m) for m in (d.zone.turn_in_m - 25.0, d.zone.end_m, d.zone.apex_m))
            k, m = np.searchsorted(c["t_s"], [own + a - apex, own + b - apex])
            out.off["lowest speed [m/s]"].append(p.measures["min_speed_mps"] - float(c["speed_mps"][k : m + 1].min()))
        pressed = c["brake"][i:j] > 0.05
        starts = np.flatnonzero(pressed[1:] & ~pressed[:-1]) + 1
        # the press that belongs to this corner; a fault moves it by some tens of metres
        away = np.abs(driven[starts] - lap - corner.brake_m)
        if len(starts) and away.min() < 60.0:
            k = i + int(starts[np.argmin(away)])
            s = float(line.project(*near(made.reference, c["x_m"][k], c["y_m"][k]))[0][0])
            gap = p.measures.get("brake_start_m", np.nan) - s + length / 2
            out.off["brake point [m]"].append(gap % length - length / 2)


def near(reference: Reference, x: float, y: float) -> tuple[Floats, Floats, Floats]:
    """A point and its nearest node, as a projection wants them."""
    k = int(np.argmin(np.hypot(reference.x_m - x, reference.y_m - y)))
    return np.array([x]), np.array([y]), np.array([k * reference.step_m])


def lap_errors(out: Figures, ride: Ride, made: Survey, laps: list[LapDone]) -> None:
    """Times of laps that count against true ones from the line of the reference, which need not be the circuit's.

    Of one stint only; a lap in which the clock jumped does not count.
    """
    if len(ride.runs) > 1:
        return
    _, _, run = ride.runs[0]
    line = station(run.base, made, 0.0)
    true = np.array([when(run, lap, line) for lap in range(max(run.lap_start_s) + 1)])
    for done in (lap for lap in laps if lap.valid):
        k = int(np.argmin(np.abs(true - done.t_s)))
        if k and abs(true[k] - done.t_s) < 5.0 and true[k - 1] > run.channels["t_s"][0]:
            out.off["lap time [s]"].append(done.time_s - float(true[k] - true[k - 1]))


def against_perfect(out: Figures, base: Faultless, got: Measured, made: Survey, best: Measured, with_: Survey) -> None:
    """The product's own measures against those it takes from perfect frames of the same laps."""
    mine = match_corners(base, made.corners, made.reference)
    theirs = match_corners(base, with_.corners, with_.reference)
    for (p, d), t in zip(got.pairs, got.at.tolist(), strict=True):
        i = int(np.argmin(np.abs(best.at - t)))
        q, e = best.pairs[i]
        if abs(best.at[i] - t) > 3.0 or d.corner not in mine or mine.get(d.corner) != theirs.get(e.corner):
            continue
        for name in PAIRED:
            # the gap to the reference is what is coached
            out.off[f"gap in {name}"].append(p.gaps.get(name, np.nan) - q.gaps.get(name, np.nan))
