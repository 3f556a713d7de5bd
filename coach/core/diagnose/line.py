"""Line causes: turn-in too early or too late, missed apex, unused or overrun exit."""

from __future__ import annotations

from typing import Final

from coach.core.diagnose.case import Case, Cause, worst_apex
from coach.core.values import Fault

PARTS: Final[dict[str, tuple[Fault | None, Fault | None]]] = {
    "entry_line_m": ("turn_in_early", "turn_in_late"),
    "apex_line_m": (None, "apex_missed"),
    "exit_line_m": ("exit_narrow", "exit_wide"),
}
"""Fault of a path farther inside, and farther outside, in each part of the corner."""


def find_line_causes(case: Case) -> None:
    """Add the line fault of the part where the path is farthest from the baseline."""
    if case.has("brake_late"):
        return
    outside = {name: case.excess_gap(name) for name in PARTS}
    known = {name: gap for name, gap in outside.items() if gap == gap and abs(gap) > case.width(name)}
    if not known:
        return
    if known.get("apex_line_m", 0.0) < 0.0:
        # nearer to the inside at the apex is not a fault itself: it follows from before or after
        del known["apex_line_m"]
        if not known:
            return
    name = list(PARTS)[int(case.driven.gaps["line_peak"]) + 1]
    if name not in known:
        name = max(known, key=lambda n: abs(known[n]))
    fault = PARTS[name][0 if known[name] < 0.0 else 1]
    if fault is None:
        return
    amount = abs(known[name])
    if name == "entry_line_m":
        shift = case.excess_gap("turn_in_m")
        if shift != shift or (shift > 0) != (known[name] > 0):
            return
        amount = abs(shift)
    # another line may require coasting
    ratio = case.tolerance_ratio(name)
    case.causes = [c for c in case.causes if c.fault != "coasting" or c.tolerance_ratio > ratio]
    apex = worst_apex(fault, case.driven, case.baseline)
    evidence = case.evidence(*PARTS, "turn_in_m", *(f"apex_{n}_line_m" for n in case.apexes))
    case.causes.append(Cause(fault, amount, "m", max(case.excess_s, 0.0), evidence, ratio, apex))
