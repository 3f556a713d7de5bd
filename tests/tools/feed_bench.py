"""Coaching over bad links and satellite receivers: order of the corners, precision, recall, errors.

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
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from ride_figures import Figures, against_perfect, figures, measured
from rides import (
    CIRCUITS,
    LINK,
    NOISE,
    REFERENCE_LAPS,
    ListFeed,
    base_of,
    link_frames,
    read_all,
    receiver_columns,
    ride_of,
)
from simulated import columns_of

from coach.survey import survey
from feeds.practice import simulate
from feeds.practice.sampling import frames_of


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
