"""How soon is the driver answered who asks about the corner he just left? Presses on circuits nothing was tuned on.

python tests/tools/ask_bench.py                      (four generated circuits, three skills, a press after each corner)
python tests/tools/ask_bench.py --write tests/figures/ask_bench.json

A press comes 0.5 s after a corner's end, unless the one before still waits. With room: the reference needs at least 4 s
from there to where the next corner gets quiet.
"""

from __future__ import annotations

import argparse
from typing import Any

import numpy as np
from figures import write_figures
from generated_circuits import generated_circuit
from simulated import columns_of
from tone_bench import JUDGED, SKILLS, driven

from coach.core.pipeline import Pipeline
from coach.core.values import Decision
from coach.profile.rule_files import load_rules

AFTER_S = 0.5
ROOM_S = 4.0
GOAL_S = 3.0


def presses(seed: int, skill: str, laps: int) -> list[tuple[float, float, Decision]]:
    """(time of the press, room ahead [s], result)."""
    profile, fed, _ = driven(generated_circuit(seed), SKILLS[skill], None, laps, seed)
    reference = profile.reference
    p = Pipeline(reference, profile.corners, load_rules("ask"))
    columns, due, out = columns_of(fed), float("inf"), []
    waiting: list[tuple[float, float]] = []
    for i in range(len(columns)):
        happened = p.push_columns(columns.part(i, i + 1))
        now, u, _ = p.session_tracker.last
        if any(c.event == "end" for c in happened.phases):
            due = now + AFTER_S
        answered = [d for d in happened.decisions if d.slot == "asked"]
        out += [(*waiting.pop(0), d) for d in answered if waiting]
        if now >= due and not waiting:
            due = float("inf")
            quiet = p.session_tracker.cue_context.quiet_ahead(u)
            waiting.append((now, reference.value("t_s", quiet) - reference.value("t_s", u)))
            p.ask("last_corner")
    return out


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--laps", type=int, default=3)
    parser.add_argument("--write", help="write the figures here")
    given = parser.parse_args()
    found = [one for seed in JUDGED for skill in SKILLS for one in presses(seed, skill, given.laps)]
    figures: dict[str, Any] = {}
    for name, least in (("all", 0.0), ("with room", ROOM_S)):
        some = [(t, d) for t, room, d in found if room >= least]
        delays = np.array([d.t_s - t if d.outcome == "spoken" else np.inf for t, d in some])
        figures[name] = {
            "presses": len(some),
            "in_time": float(np.mean(delays <= GOAL_S)),
            "answered": float(np.mean(np.isfinite(delays))),
            "median_s": float(np.median(delays)),
        }
        print(name, figures[name])
    if given.write:
        write_figures(given.write, figures)


if __name__ == "__main__":
    main()
