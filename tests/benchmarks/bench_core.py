"""The core against its peers: one table, each row a ratio within this run.

python tests/benchmarks/bench_core.py              all of it (some minutes)
python tests/benchmarks/bench_core.py --quick      a short form
python tests/benchmarks/bench_core.py path growth  only these groups
python tests/benchmarks/bench_core.py --profile    where the time goes, live and in replay

All times are CPU times of one process, the least of some repeats, peer and product in turn.
"""

from __future__ import annotations

import argparse
import cProfile
import io
import pstats
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import psutil  # type: ignore[import-untyped]  # ships no types
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))

import core_peers as peers
from core_peers import cpu_in_turn, cpu_of_parts, cpu_s, demo, encoded, live, of_length, push_each
from stage_times import shares

from coach.app.review.session_review import SessionReview
from coach.core.columns import Columns
from coach.core.locate.locator import Locator
from coach.core.pipeline import Events
from coach.profile.store import load_plan
from coach.session.header import PROFILE_FILE, REFERENCE_FILE, Header
from coach.session.reader import SessionReader
from coach.session.writer import SessionWriter

REPEATS = 3
FRAME = "{:52s} {:9.2f} us a frame   {:s}"


def say(name: str, seconds: float, frames: int, against: str = "") -> None:
    """One row."""
    print(FRAME.format(name, seconds / frames * 1e6, against), flush=True)


def pushed(session: peers.Session, columns: Columns, size: int) -> Events:
    """``columns`` through a fresh core, ``size`` at a time."""
    return push_each(session.pipeline(), columns, size)


def path(quick: bool) -> None:
    """The whole path against decoding alone and against the obvious assembly."""
    session = demo(1 if quick else 4)
    data, columns, n = encoded(session.columns), session.columns, len(session.columns)
    calls: list[Callable[[], object]] = [
        lambda: peers.decode_only(data),
        lambda: peers.obvious(session),
        lambda: push_each(session.pipeline(), columns, 1),
        lambda: live(session.pipeline(), data, 1),
        lambda: live(session.pipeline(), data, 4),
        lambda: live(session.pipeline(), data, 16),
        lambda: push_each(session.pipeline(), columns, 1024),
    ]
    decode, obvious, one, live1, live4, live16, batch = cpu_in_turn(calls, 1 if quick else REPEATS)
    print(f"-- path: {n} frames at 60 Hz, {session.length_s:.0f} s of driving; goals <= 3 x decode, >= 5 x faster")
    say("decode only (msgspec, MessagePack)", decode, n)
    say("obvious assembly (shapely + numpy)", obvious, n, f"{obvious / decode:.1f} x decode")
    rows = (("core alone, frame by frame", one), ("decode + core, frame by frame", live1),
            ("decode + core, 4 frames at a time", live4), ("decode + core, 16 frames at a time", live16),
            ("core in replay, batches", batch))  # fmt: skip
    for name, took in rows:
        say(name, took, n, f"{took / decode:.1f} x decode, {obvious / took:.1f} x faster than the obvious assembly")
    print(f"   replay in batches: {session.length_s / batch:.0f} x real time; goal 10000", flush=True)


def places(quick: bool) -> None:
    """The locator against shapely, the delta against numpy over the whole lap."""
    session = demo(1)
    reference, columns, n = session.reference, session.columns, len(session.columns)
    xy = np.column_stack([reference.x_m, reference.y_m])
    line = shapely.LineString(np.vstack([xy, xy[:1]]))
    shapely.prepare(line)
    x, y = columns["x_m"].tolist(), columns["y_m"].tolist()
    points = shapely.points(columns["x_m"], columns["y_m"])

    def locate(size: int) -> None:
        locator = Locator(reference)
        for i in range(0, n, size):
            locator.locate(columns.part(i, i + size))

    def by_shapely() -> None:
        for px, py in zip(x, y, strict=True):
            line.project(shapely.Point(px, py))

    calls: list[Callable[[], object]] = [
        by_shapely,
        lambda: shapely.line_locate_point(line, points),
        lambda: locate(1),
        lambda: locate(1024),
    ]
    one, many, ours, batch = cpu_in_turn(calls, REPEATS)
    print(f"-- locator: {n} frames, line of {len(xy)} points")
    say("shapely LineString.project, frame by frame", one, n)
    say("shapely line_locate_point, all at once", many, n)
    say("locator, frame by frame", ours, n, f"{one / ours:.1f} x faster than shapely frame by frame")
    say("locator, batches", batch, n, f"{many / batch:.1f} x faster than shapely all at once")

    s, s_ref = np.mod(columns["lap_distance_m"], reference.length_m).tolist(), np.arange(len(xy)) * reference.step_m
    pipeline = session.pipeline()
    push_each(pipeline, columns.part(0, 600), 1024)

    def whole_lap() -> None:
        for place in s:
            float(np.interp(place, s_ref, reference.t_s))

    def ours_delta() -> None:
        for place in s:
            float(reference.at("t_s", place))

    def view() -> None:
        for _ in range(n):
            pipeline.view()

    interp, at, shown = cpu_in_turn([whole_lap, ours_delta, view], REPEATS)
    print("-- delta")
    say("numpy.interp over the whole lap", interp, n)
    say("reference.at", at, n, f"{interp / at:.1f} x faster than numpy.interp")
    say("view (delta, prediction, next corner)", shown, n, f"{interp / shown:.1f} x faster than numpy.interp")


def replay(quick: bool) -> None:
    """An hour at 60 Hz through the core, batch after batch as the record is read; decoding in the same run."""
    session = demo(4 if quick else 40)
    n, batch = len(session.columns), 2048
    data = encoded(session.columns.part(0, batch))

    def start() -> Callable[[int], object]:
        pipeline = session.pipeline()
        return lambda i: pipeline.push_columns(session.columns.part(i * batch, (i + 1) * batch))

    took = cpu_of_parts(start, -(-n // batch), 2 if quick else 8)
    decode = cpu_s(lambda: peers.decode_only(data), 20) / len(data) * n
    speed = session.length_s / took
    print(f"-- replay of {session.length_s / 3600:.2f} h at 60 Hz: {took:.2f} s, {speed:.0f} x real time")
    say("core", took, n, f"{took / decode:.1f} x decode; goal: 10000 x real time is 1.67 us a frame")


def growth(quick: bool) -> None:
    """Time a frame over track length and over session length; memory over session length."""
    print("-- growth with track length (core alone)")
    lengths = (2000.0, 5000.0) if quick else (2000.0, 5000.0, 10000.0, 25000.0)
    sessions = [of_length(length_m) for length_m in lengths]
    short = 6000
    ones = cpu_in_turn([partial(pushed, s, s.columns.part(0, short), 1) for s in sessions], REPEATS)
    alls = cpu_in_turn([partial(pushed, s, s.columns, 1024) for s in sessions], REPEATS)
    whole = [took / len(s.columns) for took, s in zip(alls, sessions, strict=True)]
    for length_m, session, one, batch in zip(lengths, sessions, ones, whole, strict=True):
        print(
            f"{length_m / 1000:5.0f} km {len(session.corners):3d} corners   frame by frame {one / short * 1e6:7.1f} us "
            f"(x {one / ones[0]:.2f})   batches {batch * 1e6:6.2f} us (x {batch / whole[0]:.2f})",
            flush=True,
        )
    print("-- growth with session length (core alone, batches, what happened is not kept)")
    session = demo(10 if quick else 80)
    pipeline = session.pipeline()
    part = len(session.columns) // 8
    process = psutil.Process()
    before = process.memory_info().rss
    for k in range(8):
        began, chunk = time.process_time(), session.columns.part(k * part, (k + 1) * part)
        for i in range(0, part, 1024):
            pipeline.push_columns(chunk.part(i, i + 1024))
        took = time.process_time() - began
        more = (process.memory_info().rss - before) / 2**20
        hours = (k + 1) * session.length_s / 8 / 3600
        print(f"   after {hours:4.2f} h   {took / part * 1e6:6.2f} us a frame   memory {more:+.1f} MB")


def debrief(quick: bool) -> None:
    """A debrief of two hours against reading its Arrow file."""
    session = demo(10 if quick else 80)
    plan = load_plan("hollow_ridge")
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "session"
        copies = {PROFILE_FILE: plan.path, REFERENCE_FILE: plan.path.parent / "reference.arrow"}
        writer = SessionWriter(place, Header(session="bench", started_at="", feed="practice"), copies)
        for i in range(0, len(session.columns), 4096):
            writer.frames(session.columns.part(i, i + 4096))
            time.sleep(0.05)  # the writer has a thread of its own and drops what it cannot take in
        lost = writer.close(timeout_s=60.0).lost_frames
        if lost:
            raise RuntimeError(f"the record of the bench lost {lost} frames")
        read = cpu_s(lambda: SessionReader(place).columns(), REPEATS)
        took = cpu_s(lambda: SessionReview(place), 1)
        push = cpu_s(lambda: push_each(session.pipeline(), session.columns, 4096), 1)
    print(f"-- debrief of {session.length_s / 3600:.2f} h: read the Arrow file {read:.2f} s, debrief {took:.2f} s, "
          f"{took / read:.1f} x; of it core {push:.2f} s")  # fmt: skip


def profile(quick: bool) -> None:
    """Where the time goes."""
    session = demo(1 if quick else 4)
    data = encoded(session.columns)
    whole: dict[str, Callable[[], object]] = {
        "live, frame by frame": lambda: live(session.pipeline(), data, 1),
        "live, 4 at a time": lambda: live(session.pipeline(), data, 4),
        "replay, batches": lambda: push_each(session.pipeline(), session.columns, 1024),
    }
    for name, call in whole.items():
        call()
        profiler = cProfile.Profile()
        profiler.runcall(call)
        out = io.StringIO()
        pstats.Stats(profiler, stream=out).strip_dirs().sort_stats("tottime").print_stats(25)
        print(f"-- {name}\n{out.getvalue()}")


def stages(quick: bool) -> None:
    """The share of each stage, in replay and frame by frame."""
    session = demo(2 if quick else 10)
    n = len(session.columns)
    for name, size in (("replay, batches", 1 << 16), ("frame by frame", 1)):
        with shares() as found:
            push_each(session.pipeline(), session.columns, size)
        whole = sum(found.own_s.values())
        print(f"-- stages, {name}: {whole / n * 1e6:.2f} us a frame, of it")
        for stage, took in sorted(found.own_s.items(), key=lambda row: -row[1]):
            print(
                f"   {stage:32s} {took / whole:6.1%}  {took / n * 1e6:7.3f} us a frame  {found.calls[stage]:7d} calls"
            )


GROUPS = {"path": path, "stages": stages, "places": places, "replay": replay, "growth": growth, "debrief": debrief}


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("groups", nargs="*", help=", ".join(GROUPS))
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--profile", action="store_true")
    args = parser.parse_args(argv)
    if args.profile:
        profile(args.quick)
        return
    for name in args.groups or GROUPS:
        GROUPS[name](args.quick)


if __name__ == "__main__":
    main(sys.argv[1:])
