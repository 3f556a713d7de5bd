"""Line causes: turn-in too early or too late, missed apex, unused or overrun exit."""

from __future__ import annotations

from typing import Final

from coach.core.diagnose.case import FAR, Case, Cause
from coach.core.diagnose.entry import PEDAL_M
from coach.core.values import Fault

PARTS: Final[dict[str, tuple[Fault | None, Fault | None]]] = {
    "entry_line_m": ("turn_in_early", "turn_in_late"),
    "apex_line_m": (None, "apex_missed"),
    "exit_line_m": ("exit_narrow", "exit_wide"),
}
"""Fault of a path farther inside, and farther outside, in each part of the corner."""


SURE: Final = 1.5
"""A path this many tolerances off is a fault regardless; nearer, the clearer cause counts."""
WITH_SIGN: Final = {"brake_start_m": -1.0, "min_speed_mps": -1.0, "drive_late_m": 1.0}


def _doubtful(case: Case, known: dict[str, float]) -> bool:
    """Return whether the path just exceeds its tolerance while another gap exceeds its own by more."""
    path = max(case.sure(name) for name in known)
    clear = {n: case.sure(n) for n, sign in WITH_SIGN.items() if case.beyond(n, sign)}
    # of a lower speed only unused grip speaks against the line; of a late throttle nothing at the limit, or if the car
    # ran wide
    if "min_speed_mps" in clear:
        clear["min_speed_mps"] = min(clear["min_speed_mps"], case.unused_mps / case.width("min_speed_mps"))
    if case.at_limit or case.wide:
        clear.pop("drive_late_m", None)
    return path < SURE and any(sure > path for sure in clear.values())


def line(case: Case) -> None:
    """Add the line fault of the part where the path is farthest from the baseline."""
    if case.has("brake_late"):
        return
    outside = {name: case.g(name) for name in PARTS}
    known = {name: gap for name, gap in outside.items() if gap == gap and abs(gap) > case.width(name)}
    if not known:
        return
    if known.get("apex_line_m", 0.0) < 0.0:
        # nearer to the inside at the apex is not a fault itself: it follows from before or after
        del known["apex_line_m"]
        if not known:
            return
    if _doubtful(case, known):
        return
    name = list(PARTS)[int(case.driven.gaps["line_peak"]) + 1]
    if name not in known:
        name = max(known, key=lambda n: abs(known[n]))
    fault = PARTS[name][0 if known[name] < 0.0 else 1]
    if fault is None:
        return
    amount = abs(known[name])
    if name == "entry_line_m":
        shift = case.g("turn_in_m")
        # a path that far off had another turn-in, even if the shift alone could be scatter
        least = case.width("turn_in_m") if case.sure(name) < FAR else 0.5 * case.width("turn_in_m")
        if shift != shift or abs(shift) < least or (shift > 0) != (known[name] > 0):
            return
        amount = abs(shift)
    # another line may require coasting
    tighter = name != "entry_line_m" and case.sure(name) > SURE and not case.g("idle_lift_m") > PEDAL_M
    case.causes = [c for c in case.causes if c.fault != "coasting" or (c.sure > case.sure(name) and not tighter)]
    apex = 0
    if name == "apex_line_m" and case.apexes:
        apex = max(case.apexes, key=lambda n: case.g(f"apex_{n}_line_m"))
    evidence = case.evidence(*PARTS, "turn_in_m", *(f"apex_{n}_line_m" for n in case.apexes))
    case.causes.append(Cause(fault, amount, "m", max(case.excess_s, 0.0), evidence, case.sure(name), apex))
