"""Sessions over bad links and satellite receivers: laps with faults, torn, jumping and blurred as a feed gives them."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from fault_sessions import Truth
from generated_circuits import generated_circuit
from plain_sim import FAULTS as AMOUNTS

from coach.core.columns import Columns, Floats
from feeds.base import Feed
from feeds.errors import FeedEnded
from feeds.frame import Frame
from feeds.nmea.feed import NmeaFeed
from feeds.nmea.sentences import sentences_of
from feeds.plane import Plane
from feeds.practice import FaultPlan, Habit, Noise, SimRun, simulate
from feeds.practice.faultless import Faultless, faultless
from feeds.practice.sampling import frames_of

CIRCUITS = {2: 3900.0, 9: 4400.0}
FAULTS = ("brake_early", "brake_soft", "slow_middle", "throttle_late", "coasting", "exit_narrow")
NEEDS_BRAKE = {"brake_early", "brake_soft", "coasting"}
REFERENCE_LAPS = 8
STINT_LAPS = 5
PIT_S = 20.0
ORIGIN = (47.3, 11.2)
NOISE = Noise(position_m=0.3, speed_mps=0.1)
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
    """Return the record of a live run of ``feed``."""
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


@dataclass
class Ride:
    """Several stints on one true clock; the record is torn where a stint is cut and where the clock jumps."""

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
    """Return the record of a satellite receiver: the laps as sentences in a file, decoded by the feed."""
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
