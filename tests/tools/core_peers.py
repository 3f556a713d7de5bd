"""Sessions to measure with, the time of a call, and the peer: the same job put together in the obvious way."""

from __future__ import annotations

import gc
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import msgspec
import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))

from generated_circuits import generated_circuit
from simulated import columns_of

from coach.core.columns import Columns
from coach.core.cue.rules import RuleSet
from coach.core.pipeline import Events, Pipeline
from coach.core.track.reference import Reference
from coach.core.values import Corner
from coach.profile.rule_files import load_rules
from coach.profile.store import load_plan
from coach.survey.survey import survey
from feeds.frame import Frame
from feeds.messages import encode
from feeds.practice import FaultPlan, Habit, Scatter, faultless, hollow_ridge, simulate

HABITS = FaultPlan.of(
    Habit(0, "brake_early", 16.0, spread=2.0),
    Habit(3, "throttle_late", 14.0, spread=2.0),
    Habit(5, "slow_middle", 2.2, spread=0.3),
)


@dataclass(frozen=True, eq=False)
class Session:
    """Frames of a drive and what they are driven against."""

    reference: Reference
    corners: tuple[Corner, ...]
    columns: Columns

    @property
    def length_s(self) -> float:
        """Session time from the first frame to the last [s]."""
        t = self.columns["t_s"]
        return float(t[-1] - t[0])

    def pipeline(self) -> Pipeline:
        """A fresh core with the default rules."""
        return Pipeline(self.reference, self.corners, rules())


@cache
def rules() -> RuleSet:
    """The default rules, read once."""
    return load_rules("improving")


@cache
def demo(laps: int, rate_hz: float = 60.0) -> Session:
    """Laps of the demo driver with his habits, against the shipped profile."""
    plan = load_plan("hollow_ridge")
    run = simulate(faultless(hollow_ridge()), laps, rate_hz=rate_hz, seed=4, faults=HABITS, scatter=Scatter())
    return Session(plan.reference, plan.corners, columns_of(run))


@cache
def of_length(length_m: float) -> Session:
    """About 16 km on a generated circuit of that length, against its own survey."""
    base = faultless(generated_circuit(11, length_m))
    clean = columns_of(simulate(base, 3, rate_hz=60.0, seed=3, scatter=Scatter(1.0, 0.1, 0.1)))
    found = survey(clean, circuit="made")
    laps = max(round(16000.0 / length_m), 1)
    run = simulate(base, laps, rate_hz=60.0, seed=4, faults=FaultPlan(), scatter=Scatter())
    return Session(found.reference, found.corners, columns_of(run))


def encoded(columns: Columns) -> list[bytes]:
    """The frames as our own datagrams."""
    return [encode(frame) for frame in columns.frames()]


_decoder = msgspec.msgpack.Decoder(Frame)


def decode_only(datagrams: Sequence[bytes]) -> int:
    """The peer of the core: take the same frames out of their datagrams and do nothing with them."""
    decode, n = _decoder.decode, 0
    for data in datagrams:
        decode(data)
        n += 1
    return n


def push_each(pipeline: Pipeline, columns: Columns, size: int) -> Events:
    """Push the frames ``size`` at a time."""
    happened = Events()
    for i in range(0, len(columns), size):
        happened.add(pipeline.push_columns(columns.part(i, i + size)))
    return happened


def live(pipeline: Pipeline, datagrams: Sequence[bytes], size: int) -> None:
    """The way of a live frame: decode, stand side by side, push."""
    decode = _decoder.decode
    for i in range(0, len(datagrams), size):
        pipeline.push_columns(Columns.of([decode(data) for data in datagrams[i : i + size]]))


class Obvious:
    """Shapely and numpy put together without more ado: what a frame costs when nothing is remembered.

    Each frame is projected on the whole line, its reference time interpolated over the whole lap, and a press of the
    brake compared with the nearest corner's brake point. It measures no pass, finds no cause and says nothing.
    """

    def __init__(self, reference: Reference, corners: tuple[Corner, ...]) -> None:
        xy = np.column_stack([reference.x_m, reference.y_m])
        self.line = shapely.LineString(np.vstack([xy, xy[:1]]))
        shapely.prepare(self.line)
        self.s = np.arange(len(reference.t_s)) * reference.step_m
        self.t = reference.t_s
        self.brakes = np.array([c.brake_m for c in corners if c.brake_m == c.brake_m])
        self.braking = False
        self.begun = 0.0
        self.gaps: list[tuple[float, float]] = []

    def frame(self, t_s: float, x: float, y: float, brake: float) -> tuple[float, float]:
        """Place [m] and delta to the reference [s]."""
        s = self.line.project(shapely.Point(x, y))
        delta = t_s - float(np.interp(s, self.s, self.t))
        if brake > 0.1 and not self.braking and len(self.brakes):
            self.gaps.append((s, float(s - self.brakes[np.argmin(np.abs(self.brakes - s))])))
        self.braking = brake > 0.1
        return s, delta


def obvious(session: Session) -> None:
    """All frames of ``session`` through the obvious assembly."""
    peer = Obvious(session.reference, session.corners)
    rows = zip(*(session.columns[name].tolist() for name in ("t_s", "x_m", "y_m", "brake")), strict=True)
    for t, x, y, brake in rows:
        peer.frame(t, x, y, brake)


def cpu_s(call: Callable[[], object], repeats: int = 3) -> float:
    """The least CPU time of some calls [s]: other work on the machine can only add to it."""
    times = []
    for _ in range(repeats):
        gc.collect()
        began = time.process_time()
        call()
        times.append(time.process_time() - began)
    return min(times)


def cpu_of_parts(start: Callable[[], Callable[[int], object]], parts: int, repeats: int) -> float:
    """The CPU time of a job done in parts [s]: the least time of each part, added up.

    ``start`` restarts the job, which runs ``repeats`` times in the same way. Beside other work on the machine the least
    of a long whole is still too long, for it never runs undisturbed from end to end; its parts do.
    """
    least = [float("inf")] * parts
    for _ in range(repeats):
        gc.collect()
        part = start()
        for i in range(parts):
            began = time.process_time()
            part(i)
            least[i] = min(least[i], time.process_time() - began)
    return sum(least)


def cpu_in_turn(calls: Sequence[Callable[[], object]], repeats: int = 3) -> list[float]:
    """The least CPU times of several calls that are made in turn, so that all meet the same machine [s]."""
    times = [[cpu_s(call, 1) for call in calls] for _ in range(repeats)]
    return [min(column) for column in zip(*times, strict=True)]
