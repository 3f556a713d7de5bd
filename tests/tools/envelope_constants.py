"""Whether any figure of the reachable lap notices when a constant of the envelope moves by 30 %.

python tests/tools/envelope_constants.py                  every constant, down and up
python tests/tools/envelope_constants.py --only PEAK      one of them

The sessions of ``reach_bench`` on the tuning circuits: clean, noisy, and of drivers at 85 %. Printed for each constant:
sessions whose limits become known or unknown, and the largest change of a lap [% of it], an apex [% of its speed] and a
rank correlation. A constant that moves none of them by NOTICED is to be deleted, unless a test names it.
"""

from __future__ import annotations

import argparse
from importlib import import_module
from typing import Final

import numpy as np
from reach_bench import SETS, Row, Session, judge_survey, session

from coach.survey import survey
from coach.survey.survey import Survey

_WHERE: Final = {
    "fit": ("SHARE", "ALONE", "MOST_SAMPLES", "PEAK", "LEAST"),
    "braking": ("SHARE", "BRAKED", "TURNED", "MOST_SAMPLES"),
    "drive": ("PEDAL_SHARE", "UPPER", "STRAIGHT_MPS2", "ENGINE"),
    "known": ("AGREE", "HARD", "PRESSED"),
    "samples": ("BLOCK_M", "FULL"),
    "reachable": ("KINK",),
    "lines": ("JOIN_M", "COARSE"),
}
CONSTANTS: Final = tuple(f"{room}:{name}" for room, names in _WHERE.items() for name in names)
NOTICED: Final = (0.05, 0.3, 0.03)
"""Least change of a lap [%], of an apex [%], of a rank."""
SETTINGS: Final = ((60.0, 0.0, ""), (25.0, 0.3, ""), (60.0, 0.0, "even"))
Case = tuple[str, int, Session, Survey]


def cases() -> list[Case]:
    """The sessions, surveyed once: no constant here changes a survey."""
    out = []
    for name in ("practice", "plain", "outside"):
        for seed, length in SETS["tuning"].items():
            for rate, noise, careful in SETTINGS:
                driven = session(name, seed, length, 12, rate, noise, careful)
                out.append((name, seed, driven, survey(driven.columns, circuit="bench")))
    return out


def moved(constant: str, factor: float, some: list[Case]) -> list[Row]:
    """The figures with a constant ``factor`` times what it is; a share stays below 1."""
    room, name = constant.split(":")
    module = import_module(f"coach.survey.envelope.{room}")
    value = getattr(module, name)
    other = max(round(value * factor), 1) if isinstance(value, int) else value * factor
    if isinstance(value, float) and value < 1.0:
        other = min(other, 1.0 - 0.3 * (1.0 - value))
    setattr(module, name, other)
    try:
        return [judge_survey(*one) for one in some]
    finally:
        setattr(module, name, value)


def changes(before: list[Row], after: list[Row]) -> tuple[int, float, float, float]:
    """Sessions that become known or unknown, and the largest changes of those known in both."""
    flipped = sum(bool(a.unknown) != bool(b.unknown) for a, b in zip(before, after, strict=True))
    both = [(a, b) for a, b in zip(before, after, strict=True) if not a.unknown and not b.unknown]
    lap, apex, rank = (
        max((abs(getattr(b, name) - getattr(a, name)) for a, b in both), default=0.0)
        for name in ("lap_percent", "apex_percent", "rank")
    )
    return flipped, lap, apex, rank


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="*", default=[])
    args = parser.parse_args()
    # what the draws are for, the intervals, is not looked at
    import_module("coach.survey.envelope.fit").fit_envelope.__defaults__ = (0, False)
    some = cases()
    base = [judge_survey(*one) for one in some]
    unseen = []
    for constant in CONSTANTS:
        if args.only and constant.split(":")[1] not in args.only:
            continue
        found = {factor: changes(base, moved(constant, factor, some)) for factor in (0.7, 1.3)}
        seen = any(flips or np.any(np.array(most) >= NOTICED) for flips, *most in found.values())
        unseen += [] if seen else [constant]
        print(f"{constant:24} " + "; ".join(
            f"x{factor} flips {flips} lap {lap:.2f} apex {apex:.2f} rank {rank:.2f}"
            for factor, (flips, lap, apex, rank) in found.items()
        ) + ("" if seen else "  nothing notices"), flush=True)  # fmt: skip
    print(f"nothing notices: {', '.join(unseen) or 'none'}")


if __name__ == "__main__":
    main()
