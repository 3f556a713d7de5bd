"""How often a habit that is in the best lap too gets its right cause, with the reachable lap as reference.

python tests/tools/reach_causes.py                     the development circuits
python tests/tools/reach_causes.py --set tuning        the circuits that thresholds are tuned on
python tests/tools/reach_causes.py --best              with the driver's own best lap as reference

The drivers of ``reach_bench``. Each habit of every lap is a row: of the passes there that lose at least WORTH_S, the
share with the right cause as the costliest finding, with another one, and with none. ``right`` holds the causes that
the same action cures (common practice, no source). ``told`` is the share of the loss there that findings of the right
cause carry, ``said`` the share of habits with a cue about it.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from reach_bench import SETS, SIMULATORS, Session, session

from coach.core.pipeline import Pipeline
from coach.core.values import Pass
from coach.profile.rule_files import load_rules
from coach.survey import survey
from coach.survey.envelope.reachable import reach_of, reachable_reference

WORTH_S: Final = 0.05
NEAR_M: Final = 60.0
OFTEN: Final = "in every second lap"
RIGHT: Final[dict[str, frozenset[str]]] = {
    "brake_early": frozenset({"brake_early", "grip_entry"}),
    "brake_soft": frozenset({"brake_soft", "grip_braking"}),
    "slow_middle": frozenset({"slow_middle", "grip_middle"}),
    "coasting": frozenset({"coasting", "brake_early", "throttle_late", "grip_entry"}),
    "throttle_late": frozenset({"throttle_late", "throttle_soft", "coasting", "grip_exit"}),
}


@dataclass
class Tally:
    """The passes of one kind of habit."""

    passes: int = 0
    named: Counter[str] = field(default_factory=Counter)
    lost_s: float = 0.0
    told_s: float = 0.0
    habits: int = 0
    said: int = 0


def judge(driven: Session, best: bool, rules: str, tallies: dict[str, Tally]) -> str:
    """Add a session to ``tallies``; return why it is left out, empty if it is not."""
    found = survey(driven.columns, circuit="bench")
    reach = reach_of(found)
    assert reach is not None
    if reach.speed_mps is None:
        return "; ".join(reach.fitted.unknown)
    ref = found.reference if best else reachable_reference(found.reference, reach)
    pipeline = Pipeline(ref, found.corners, load_rules(rules))
    passes: dict[int, list[Pass]] = defaultdict(list)
    said: set[tuple[str, str]] = set()
    events = [pipeline.push_columns(driven.columns), pipeline.finish()]
    for one in (p for e in events for p in e.passes if p.valid):
        passes[one.corner].append(one)
    said |= {(d.corner, d.fault) for e in events for d in e.decisions if d.outcome == "spoken"}
    for wrong in driven.habits:
        apart = [_apart(found.reference, c.apex_m, wrong.x_m, wrong.y_m) for c in found.corners]
        corner = int(np.argmin(apart))
        if apart[corner] > NEAR_M:
            continue
        if not wrong.always:
            for one in passes[corner]:
                grip = any(f.fault.startswith("grip") for f in one.findings)
                tallies[OFTEN].named[f"{'even' if one.lap % 2 == 0 else 'odd'}{' grip' if grip else ''}"] += 1
            continue
        right, tally = RIGHT[wrong.fault], tallies[wrong.fault]
        tally.habits += 1
        tally.said += any((found.corners[corner].name, fault) in said for fault in right)
        for one in passes[corner]:
            lost = one.loss_s + one.loss_straight_s
            if lost < WORTH_S:
                continue
            tally.passes += 1
            top = max(one.findings, key=lambda f: f.cost_s).fault if one.findings else "none"
            tally.named[top] += 1
            tally.lost_s += lost
            tally.told_s += min(sum(f.cost_s for f in one.findings if f.fault in right), lost)
    return ""


def _apart(reference: object, place_m: float, x_m: float, y_m: float) -> float:
    at = [reference.at(name, place_m) for name in ("x_m", "y_m")]  # type: ignore[attr-defined]
    return float(np.hypot(at[0] - x_m, at[1] - y_m))


def table(tallies: dict[str, Tally]) -> str:
    """The rows, one a habit."""
    lines = [f"{'habit':14} {'habits':>6} {'said':>5} {'passes':>6} {'right':>6} {'other':>6} {'none':>6} {'told':>6}"]
    for fault, t in tallies.items():
        if fault == OFTEN:
            lines.append(f"{fault}: {dict(t.named)}")
            continue
        right = sum(n for name, n in t.named.items() if name in RIGHT[fault])
        n = max(t.passes, 1)
        lines.append(
            f"{fault:14} {t.habits:6} {t.said:5} {t.passes:6} {right / n:6.0%} "
            f"{1 - (right + t.named['none']) / n:6.0%} {t.named['none'] / n:6.0%} {t.told_s / max(t.lost_s, 1e-9):6.0%}"
            f"   {', '.join(f'{name} {k}' for name, k in t.named.most_common(6))}"
        )
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", choices=SETS, default="development")
    parser.add_argument("--simulators", nargs="+", choices=SIMULATORS, default=["practice", "plain", "outside"])
    parser.add_argument("--laps", type=int, default=12)
    parser.add_argument("--rate", type=float, default=60.0)
    parser.add_argument("--noise", type=float, default=0.0, help="of a position [m]")
    parser.add_argument("--rules", default="improving")
    parser.add_argument("--best", action="store_true", help="against the driver's own best lap")
    args = parser.parse_args(argv)
    for name in args.simulators:
        tallies: dict[str, Tally] = {fault: Tally() for fault in (*RIGHT, OFTEN)}
        for seed, length in SETS[args.set].items():
            driven = session(name, seed, length, args.laps, args.rate, args.noise, "")
            if why := judge(driven, args.best, args.rules, tallies):
                print(f"{name} {seed}: left out: {why}")
        print(f"{name}, {args.set}\n{table(tallies)}", flush=True)


if __name__ == "__main__":
    main()
