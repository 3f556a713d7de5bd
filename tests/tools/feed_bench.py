"""What bad links and satellite receivers leave of the coaching: order of the corners, precision, recall, errors.

python tests/tools/feed_bench.py               both parts
python tests/tools/feed_bench.py --link        a bad link only: loss, duplicates, reordering, clock jumps, teleports
python tests/tools/feed_bench.py --receiver    a satellite receiver only: place, time and speed, pedals inferred
python tests/tools/feed_bench.py --laps 15     fewer laps for each row

Laps come from the practice simulator on the layouts of CIRCUITS, with faults of the kinds of fault_bench; frames go
through a feed as a live run's would; the reference is the survey of a session of its own, eight faultless laps over the
same link or receiver. Findings are those of a debrief.

The bad link: 20 % of the frames lost, 5 % doubled, up to 5 places out of order, and every 5 laps the clock jumps back
(by 3 s, 30 s, or to the start) and the car is put into the pits in the middle of a lap, stands, and drives out.
The receiver: NMEA sentences of RMC and GGA at 10 or 25 Hz; the position has 0.5 m of noise, white or as a real one's
correlated over 30 s, the height 1 m, the speed 0.05 m/s. The receiver's latency does not show here: its sentences
carry the time of the moment they tell of; it costs lead time, not accuracy.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from generated_circuits import generated_circuit
from plain_sim import FAULTS as AMOUNTS
from simulated import columns_of, match_corners
from survey_bench import station

from coach.app.rerun import rerun, settle_findings
from coach.app.setup import Setup
from coach.core.columns import Columns, Floats
from coach.core.passes import Driven
from coach.core.projection import Line
from coach.core.reference import Reference
from coach.core.rules import RuleSet
from coach.core.values import LapDone, Pass
from coach.survey import Survey, survey
from feeds.base import Feed
from feeds.errors import FeedEnded
from feeds.frame import Frame
from feeds.nmea.encoder import sentences_of
from feeds.nmea.feed import NmeaFeed
from feeds.plane import Plane
from feeds.practice import FaultPlan, Habit, Noise, SimRun, simulate
from feeds.practice.faultless import Faultless, faultless
from feeds.practice.noise import frames_of

CIRCUITS = {2: 3900.0, 9: 4400.0}
FAULTS = ("brake_early", "brake_soft", "slow_middle", "throttle_late", "coasting", "exit_narrow")
NEEDS_BRAKE = {"brake_early", "brake_soft", "coasting"}
REFERENCE_LAPS = 8
STINT_LAPS = 5
PIT_S = 20.0
SMALL_S = 0.03
"""A fault that costs less is no fault to find: about the scatter of one corner (as in fault_bench)."""
ORIGIN = (47.3, 11.2)
NOISE = Noise(position_m=0.3, speed_mps=0.1)
PAIRED = (
    "brake_start_m", "brake_peak", "brake_release_m", "throttle_start_m", "full_throttle_m", "min_speed_mps",
    "exit_speed_mps", "turn_in_m", "apex_offset_m", "exit_offset_m", "coast_s",
)  # fmt: skip
LINK = replace(NOISE, loss=0.2, duplicates=0.05, reorder=5)


class ListFeed(Feed):
    """Frames from a list, through everything a live feed has: the gate, the counters, inferred channels."""

    name = "list"

    def __init__(self, frames: Iterable[Frame]) -> None:
        super().__init__()
        self._frames = iter(frames)

    def _receive(self, timeout_s: float) -> Iterable[Frame]:
        frame = next(self._frames, None)
        if frame is None:
            raise FeedEnded(self.name)
        return (frame,)


def read_all(feed: Feed) -> Columns:
    """What a live run would record of ``feed``."""
    chunks: list[Columns] = []
    with feed:
        while True:
            try:
                frames = feed.read_many(256, 0.0)
            except FeedEnded:
                return Columns.join(chunks)
            if frames:
                chunks.append(Columns.of(frames))


@cache
def base_of(seed: int) -> Faultless:
    """The faultless lap of a layout."""
    return faultless(generated_circuit(seed, length_m=CIRCUITS.get(seed, 4000.0)))


@dataclass(frozen=True)
class Truth:
    """A fault that was driven; ``t_s`` is true time at the slowest place."""

    t_s: float
    fault: str
    amount: float
    cost_s: float


@dataclass
class Ride:
    """Several stints on one true clock. ``breaks`` are true times at which the record is torn (teleport, clock)."""

    runs: list[tuple[float, float, SimRun]] = field(default_factory=list)
    """True time at which the run's time 0 is, true time at which it is cut, the run."""
    shifts: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)])
    """From this true time on the feed's clock is true time plus this."""

    def truth(self) -> list[Truth]:
        """Every fault driven before the cut of its stint."""
        out = []
        for begin, cut, run in self.runs:
            for item in run.truth:
                t = begin + when(run, item.lap, run.base.corners[item.corner].slowest_m)
                if t < cut:
                    out.append(Truth(t, item.fault, item.amount, item.cost_s))
        return out

    def true_times(self, told: Sequence[float], places_m: Sequence[float]) -> Floats:
        """True times of times of the feed's clock that came in true order, each told of a place [m].

        After a jump back the same time comes twice: the place tells which of the two it was.
        """
        ends = [*(start for start, _ in self.shifts[1:]), np.inf]
        last, out = -np.inf, []
        for t, place in zip(told, places_m, strict=True):
            fit = [t - s for (a, s), b in zip(self.shifts, ends, strict=True) if a <= t - s < b and t - s > last]
            if fit:
                last = min(fit, key=lambda true: (abs(self.gap_m(true, place)) > 30.0, true))
            out.append(last if fit else np.nan)
        return np.array(out)

    def gap_m(self, t_s: float, place_m: float) -> float:
        """How far past a place of the lap the car truly was; infinite where it did not drive."""
        here = self.at(t_s)
        if here is None:
            return np.inf
        run, t = here
        length = run.base.circuit.length_m
        driven = float(np.interp(t, run.channels["t_s"], run.channels["lap"] * length + run.channels["lap_distance_m"]))
        return (driven - place_m + length / 2) % length - length / 2

    def at(self, t_s: float) -> tuple[SimRun, float] | None:
        """The run driven at a true time, and its own time."""
        for begin, cut, run in self.runs:
            if begin <= t_s < cut:
                return run, t_s - begin
        return None


def when(run: SimRun, lap: int, place_m: float) -> float:
    """Time of the run at which it passed a place along the circuit in ``lap`` (which it may run out of)."""
    c, length = run.channels, run.base.circuit.length_m
    driven = c["lap"] * length + c["lap_distance_m"]
    return float(np.interp(lap * length + place_m, driven, c["t_s"]))


def plan_of(base: Faultless, laps: int, rng: np.random.Generator) -> FaultPlan:
    """One corner in four has a fault, none beside another."""
    n, habits = len(base.corners), []
    for lap in range(1, laps + 1):
        taken: list[int] = []
        for c in rng.permutation(n).tolist():
            if len(taken) < max(1, n // 4) and all((c - t) % n not in (0, 1, n - 1) for t in taken):
                taken.append(c)
        for c in taken:
            usable = [f for f in FAULTS if base.corners[c].braked or f not in NEEDS_BRAKE]
            fault = str(rng.choice(usable))
            habits.append(Habit(c, fault, float(rng.uniform(*AMOUNTS[fault])), laps=(lap,)))
    return FaultPlan(tuple(habits))


def ride_of(base: Faultless, laps: int, seed: int, rate_hz: float, torn: bool, jumps: bool = False) -> Ride:
    """``laps`` laps with faults: in one stint, or torn into stints of STINT_LAPS by teleports, and by clock jumps."""
    rng = np.random.default_rng([seed, 5])
    ride, now = Ride(), 0.0
    for stint in range(-(-laps // STINT_LAPS) if torn else 1):
        many = STINT_LAPS if torn else laps
        run = simulate(base, many, rate_hz=rate_hz, seed=seed + stint, faults=plan_of(base, many, rng))
        lap_s = run.lap_times_s
        last = run.lap_start_s[many + 1]
        cut = last - float(rng.uniform(0.3, 0.7)) * float(lap_s[-1]) if torn else np.inf
        ride.runs.append((now, now + cut, run))
        if torn:
            # drawn in any case, so that the drive is the same with and without jumps
            jump = now + run.lap_start_s[3] + float(rng.uniform(0.0, 1.0)) * float(lap_s[2])
            if jumps:
                back = (-3.0, -30.0, -jump - ride.shifts[-1][1])[stint % 3]
                ride.shifts.append((jump, ride.shifts[-1][1] + back))
            now += cut + PIT_S
    return ride


def link_frames(ride: Ride, noise: Noise | None, torn: bool, seed: int) -> Iterator[Frame]:
    """The frames as they arrive."""
    for k, (begin, cut, run) in enumerate(ride.runs):
        keep = begin + run.channels["t_s"] < cut
        channels = {name: values[keep] for name, values in run.channels.items()}
        if torn:
            channels = {name: np.append(v, rest) for (name, v), rest in zip(
                channels.items(), in_pits(run, channels, 1.0 / 60.0).values(), strict=True)}  # fmt: skip
        true = begin + channels["t_s"]
        starts = np.array([t for t, _ in ride.shifts])
        channels["t_s"] = true + np.array([s for _, s in ride.shifts])[np.searchsorted(starts, true, "right") - 1]
        yield from frames_of(channels, noise, seed + k)


def in_pits(run: SimRun, before: dict[str, Floats], step_s: float) -> dict[str, Floats]:
    """Frames of a car that stands in the pits, beside the circuit and well before the line."""
    circuit = run.base.circuit
    n = int((PIT_S - 1.0) / step_s)
    place = circuit.place(np.array([circuit.length_m - 350.0]), np.array([25.0]))[0]
    told = {
        "t_s": before["t_s"][-1] + step_s * np.arange(1, n + 1), "x_m": place[0], "y_m": place[1], "z_m": place[2],
        "lap_distance_m": circuit.length_m - 350.0, "lap": 0.0, "gear": 0.0, "in_pit": 1.0,
    }  # fmt: skip
    return {name: np.broadcast_to(told.get(name, 0.0), (n,)) for name in before}


def receiver_columns(channels: dict[str, Floats], rate_hz: float, correlated: bool, seed: int) -> Columns:
    """What a run records of a satellite receiver: the laps as sentences in a file, decoded by the feed."""
    every = round(100.0 / rate_hz)
    c = {name: values[::every] for name, values in channels.items()}
    rng = np.random.default_rng([seed, 9])
    n = len(c["t_s"])
    off = np.array([[0.5], [0.5], [1.0]]) * rng.standard_normal((3, n))
    if correlated:
        # first-order Gauss-Markov with the same deviation over 30 s, and 2 cm from sample to sample
        keep = np.exp(-1.0 / rate_hz / 30.0)
        for k in range(1, n):
            off[:, k] = keep * off[:, k - 1] + np.sqrt(1 - keep**2) * off[:, k]
        off += 0.02 * rng.standard_normal((3, n))
    lat, lon = degrees_of(c["x_m"] + off[0], c["y_m"] + off[1])
    speed = np.maximum(c["speed_mps"] + 0.05 * rng.standard_normal(n), 0.0)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "laps.nmea"
        with path.open("wb") as out:
            for k in range(n):
                frame = Frame(float(c["t_s"][k]), speed_mps=float(speed[k]), z_m=float(c["z_m"][k] + off[2, k]))
                out.write(sentences_of(frame, float(lat[k]), float(lon[k])))
        columns = read_all(NmeaFeed(f"file:{path}", speed=float("inf"), origin=ORIGIN))
    # the feed counts from its first sentence
    columns["t_s"][:] += round(float(c["t_s"][0]), 3)
    return columns


def degrees_of(x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
    """Latitude and longitude of points on the plane around ORIGIN (the inverse of Plane, by iteration)."""
    plane = Plane(*ORIGIN)
    lat, lon = np.full(len(x_m), ORIGIN[0]), np.full(len(x_m), ORIGIN[1])
    for _ in range(4):
        x, y = plane.to_xy_arrays(lat, lon)
        lat = lat + (y_m - y) / 111_200.0
        lon = lon + (x_m - x) / (111_320.0 * np.cos(np.radians(lat)))
    return lat, lon


@dataclass
class Figures:
    """What came of one or more rides."""

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

    pairs: list[tuple[Pass, Driven]]
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
    return Measured(pairs, at, result.happened.laps)


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


def ordering(out: Figures, ride: Ride, made: Survey, pairs: list[tuple[Pass, Driven]], at: Floats) -> None:
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


def score(out: Figures, truth: list[Truth], pairs: list[tuple[Pass, Driven]], at: Floats) -> None:
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
    out: Figures, ride: Ride, made: Survey, pairs: list[tuple[Pass, Driven]], at: Floats, of_sim: dict[int, int]
) -> None:
    """Measures against the simulator's own, noise-free ones."""
    line, length = Line(made.reference), made.reference.length_m
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
    """Lap times against true ones from the line of the reference, which need not be the circuit's (one stint only)."""
    if len(ride.runs) > 1:
        return
    _, _, run = ride.runs[0]
    line = station(run.base, made, 0.0)
    true = np.array([when(run, lap, line) for lap in range(max(run.lap_start_s) + 1)])
    for done in laps:
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


def link_job(args: tuple[int, int, str]) -> Figures:
    """One circuit over one kind of link."""
    seed, laps, kind = args
    base = base_of(seed)
    noise = {"clean": None, "noisy": NOISE, "bad": LINK}[kind]
    first = simulate(base, REFERENCE_LAPS, seed=900 + seed)
    made = survey(read_all(ListFeed(frames_of(first.channels, noise, 900 + seed))), circuit="bench")
    ride = ride_of(base, laps, 10 * seed, 60.0, torn=True, jumps=kind == "bad")
    return figures(ride, read_all(ListFeed(link_frames(ride, noise, True, seed))), made)


def receiver_job(args: tuple[int, int, float, bool]) -> Figures:
    """One circuit with one kind of receiver."""
    seed, laps, rate, correlated = args
    base = base_of(seed)
    first = simulate(base, REFERENCE_LAPS, rate_hz=100.0, seed=900 + seed)
    guessed = ("throttle", "brake")
    made = survey(receiver_columns(first.channels, rate, correlated, 900 + seed), circuit="bench", inferred=guessed)
    ride = ride_of(base, laps, 10 * seed, 100.0, torn=False)
    columns = receiver_columns(ride.runs[0][2].channels, rate, correlated, seed)
    out = figures(ride, columns, made)
    perfect = survey(columns_of(first), circuit="bench", reference_lap=made.reference_lap)
    best = measured(ride, columns_of(ride.runs[0][2]), perfect)
    against_perfect(out, base, measured(ride, columns, made), made, best, perfect)
    return out


def main(argv: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--laps", type=int, default=40)
    parser.add_argument("--link", action="store_true")
    parser.add_argument("--receiver", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args(argv)
    both = args.link == args.receiver
    with ProcessPoolExecutor(args.workers) as pool:
        if args.link or both:
            for kind in ("clean", "noisy", "bad"):
                total = Figures()
                for part in pool.map(link_job, [(seed, args.laps, kind) for seed in CIRCUITS]):
                    total.add(part)
                print(
                    f"== link {kind}, {args.laps} laps on each of {len(CIRCUITS)} circuits\n{total.text()}", flush=True
                )
        if args.receiver or both:
            for rate in (10.0, 25.0):
                for correlated in (False, True):
                    total = Figures()
                    for part in pool.map(receiver_job, [(seed, args.laps, rate, correlated) for seed in CIRCUITS]):
                        total.add(part)
                    how = "correlated" if correlated else "white"
                    print(f"== receiver {rate:.0f} Hz, 0.5 m {how}, {args.laps} laps on each of {len(CIRCUITS)}"
                          f" circuits\n{total.text()}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
