"""The scenarios as data: the driver, the most cues allowed, forbidden cues and required ones.

The thresholds are an instructor's: they were written before anything was measured, and no run of the bench moves them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, get_args

import scenario_sessions as make
from scenario_ground import Ground
from scenario_sessions import Session

from coach.core.values import Fault

LAPS: Final = 12
EVERY: Final = frozenset(get_args(Fault))
PACE: Final = frozenset({"slow_middle", "throttle_late", "throttle_soft", "coasting"})
"""Asks for more speed or throttle."""
LINE: Final = frozenset({"turn_in_early", "turn_in_late", "apex_missed", "exit_narrow", "exit_wide"})
NOT_LINE: Final = EVERY - LINE
ALTERNATE: Final = LAPS
"""No habit is worth more than one word a lap."""

SAME_CURE: Final[dict[str, frozenset[str]]] = {
    "coasting": frozenset({"throttle_late"}),
    "throttle_late": frozenset({"coasting", "throttle_soft"}),
    "throttle_soft": frozenset({"throttle_late"}),
    "turn_in_late": frozenset({"apex_missed"}),
    "apex_missed": frozenset({"turn_in_late"}),
    "turn_in_early": frozenset({"exit_wide"}),
}
"""Names that send the driver the same way as the habit's own (common practice, no source)."""


def accepted(fault: str) -> frozenset[str]:
    """The corrections that tell of a habit."""
    return frozenset({fault}) | SAME_CURE.get(fault, frozenset())


@dataclass(frozen=True)
class Scenario:
    """One row. ``allowed`` corrections at most are heard in LAPS laps, none of ``forbidden``.

    With ``within`` only the session's habit must get a cue, within this many laps; with ``any_of`` a cue about one of
    these anywhere suffices. ``tell`` is what a text that is heard or shown must match. No driver here fixes a habit, so
    all praise is wrong.
    """

    name: str
    driver: str
    session: Callable[[Ground, int], Session]
    allowed: int = 0
    forbidden: frozenset[str] = EVERY
    within: int | None = None
    any_of: frozenset[str] = frozenset()
    tell: str = ""
    corners: int = 1
    """At so many corners in turn, each a session of its own that is held against the row."""


def _habit(name: str, driver: str, session: Callable[[Ground, int], Session], within: int) -> Scenario:
    return Scenario(name, driver, session, ALTERNATE, frozenset(), within)


SCENARIOS: Final[tuple[Scenario, ...]] = (
    Scenario("at the limit", "no fault, the reference's own car and grip", make.as_the_reference),
    Scenario("wet", "no fault, grip 13 % lower, at its limit", make.wet),
    Scenario("six per cent slower", "the reference's laps, everything 6 % slower", make.slower),
    Scenario("slower car", "no fault, another car, about 12 s slower, at its limit", make.slower_car, tell=r"\bcar\b"),
    Scenario("another car's profile", "no fault, a car with more grip and less power", make.other_car, tell=r"\bcar\b"),
    Scenario(
        "another circuit's profile", "no fault, the profile is of another circuit", make.other_circuit,
        tell="circuit|track|profile|reference",
    ),
    Scenario("faster everywhere", "no fault, more grip and more power than the reference", make.faster),
    Scenario("80 % of the road", "at the limit, narrow line", make.part_of_the_road, 2 * LAPS, NOT_LINE, 6, LINE),
    Scenario("1 m wide at the apex", "one metre off the apex of one corner", make.wide_at_apex, LAPS, PACE, corners=2),
    Scenario("1 m wide on the exit", "one metre wide on one exit", make.wide_on_exit, LAPS, PACE, corners=2),
    Scenario("traffic", "held up in four of twelve laps", make.traffic),
    Scenario("cool-down laps", "a lap or two 25, 17 and 12 % slower", make.cool_down),
    Scenario("out-laps", "three stints of four laps, the first of each on cold tyres", make.out_laps),
    Scenario("scatter x4", "no habit, four times the usual scatter", make.scattered),
    Scenario("tyre wear", "no fault, grip falls by 6 % over twelve laps", make.tyre_wear),
    Scenario("fuel", "no fault, the car begins 5 % heavier than the reference's", make.fuel),
    Scenario("drying track", "no fault, grip rises from -15 % over ten laps", make.drying),
    Scenario("rain begins", "no fault, grip falls by 15 % in lap 6", make.rain_begins),
    Scenario("one gear broken", "no fault, the fourth gear is missing", make.gear_broken),
    Scenario("spin", "a spin in lap 5, the rest without a fault", make.spin),
    Scenario("pit stop without flag", "through the pits in lap 6, no channel says so", make.pit_stop),
    Scenario("yellow", "slow in one part of laps 5 and 6", make.yellow),
    _habit("brakes early, room before it", "brakes 25 m early after the longest straight", make.early_with_room, 3),
    _habit("brakes early, little room", "brakes 25 m early, another corner just before", make.early_tight(0), 3),
    _habit("brakes early, little room (2)", "the same at the second tightest place", make.early_tight(1), 3),
    _habit("brakes early, little room (3)", "the same at the third tightest place", make.early_tight(2), 3),
    _habit("a habit in the wet", "grip 13 % lower, and brakes 30 m early at one corner", make.habit_in_the_wet, 6),
    _habit("a habit in traffic", "held up in four laps, throttle 25 m late at one corner", make.habit_in_traffic, 6),
    _habit("a habit in a slower car", "another car, and brakes 30 m early at one corner", make.habit_in_slower_car, 6),
)  # fmt: skip
