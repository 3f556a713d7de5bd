"""The sessions of the scenarios: drivers at their limit in other conditions, in trouble, and with a habit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Final

import numpy as np
from scenario_changes import beside, held_up, time_stretched, within
from scenario_ground import HUMAN, RATE_HZ, Drive, Ground, counterpart, drive, ground, variant

from coach.core.columns import Columns, Floats
from coach.core.track.reference import Reference
from coach.core.values import Corner
from feeds.practice import SAME, FaultPlan, Habit, PracticeCar, Scatter, applies, simulate
from feeds.practice.faultless import Faultless

LAPS: Final = 12
CAR: Final = PracticeCar()
SLOW_CAR: Final = replace(CAR, grip=0.89 * CAR.grip, power_w=0.54 * CAR.power_w)
"""About 12 s slower in a lap of 90 s."""
OTHER_CAR: Final = replace(CAR, grip=1.1 * CAR.grip, power_w=0.72 * CAR.power_w)
FAST_CAR: Final = replace(CAR, grip=1.06 * CAR.grip, power_w=1.05 * CAR.power_w, brake_full_mps2=15.5)
GEARBOX: Final = replace(CAR, top_mps=tuple(v for v in CAR.top_mps if v != CAR.top_mps[3]))
EARLY_M: Final = 25.0
WORTH_S: Final = 0.1
"""A habit that costs less a lap need not be told within three laps."""
TIGHT: Final = {"demo": ("Beacon", "Weir", "Gorse")}
"""Where a word has the least room before it; on other circuits these corners are looked for."""


@dataclass(frozen=True, eq=False)
class Session:
    """What is driven, by which profile, and where the habit is (the profile's corner names, its fault)."""

    drive: Drive
    reference: Reference
    corners: tuple[Corner, ...]
    at: frozenset[str] = frozenset()
    fault: str = ""

    def columns(self) -> Columns:
        """What the coach is given."""
        return self.drive.columns()


def _on(place: Ground, driven: Drive, there: int | None = None, fault: str = "") -> Session:
    at = place.names(there) if there is not None else frozenset[str]()
    return Session(driven, place.reference, place.corners, at, fault)


@cache
def _clean(place: Ground, seed: int) -> Drive:
    """Laps without fault or trouble; several scenarios change these same laps, none of them in place."""
    return drive(place.base, LAPS, seed)


def as_the_reference(place: Ground, seed: int) -> Session:
    return _on(place, _clean(place, seed))


def wet(place: Ground, seed: int) -> Session:
    return _on(place, drive(gripping(place, 0.87), LAPS, seed))


def slower(place: Ground, seed: int) -> Session:
    return _on(place, time_stretched(_clean(place, seed), 0.94))


def slower_car(place: Ground, seed: int) -> Session:
    return _on(place, drive(variant(place.name, SLOW_CAR), LAPS, seed))


def other_car(place: Ground, seed: int) -> Session:
    return _on(place, drive(variant(place.name, OTHER_CAR), LAPS, seed))


def faster(place: Ground, seed: int) -> Session:
    return _on(place, drive(variant(place.name, FAST_CAR), LAPS, seed))


def gear_broken(place: Ground, seed: int) -> Session:
    driven = drive(variant(place.name, GEARBOX), LAPS, seed)
    gear = driven.channels["gear"]
    driven.channels["gear"] = np.where(gear >= 4, gear + 1, gear)
    return _on(place, driven)


def other_circuit(place: Ground, seed: int) -> Session:
    profile = ground("9" if place.name != "9" else "7")
    # four laps: where the car is never found, more of them only take longer
    return Session(drive(place.base, 4, seed), profile.reference, profile.corners)


def part_of_the_road(place: Ground, seed: int) -> Session:
    return _on(place, drive(variant(place.name, None, 0.8), LAPS, seed))


def scattered(place: Ground, seed: int) -> Session:
    wild = Scatter(4.0 * HUMAN.brake_m, 4.0 * HUMAN.speed_mps, 4.0 * HUMAN.line_m)
    return _on(place, drive(place.base, LAPS, seed, scatter=wild))


def gripping(place: Ground, share: float) -> Faultless:
    """The limit of the usual car where the road gives ``share`` of the grip."""
    return variant(place.name, replace(CAR, grip=round(share, 4) * CAR.grip))


def _by_lap(place: Ground, seed: int, grip: Callable[[int], float]) -> Session:
    return _on(place, drive(lambda lap: gripping(place, grip(lap)), LAPS, seed))


def tyre_wear(place: Ground, seed: int) -> Session:
    return _by_lap(place, seed, lambda lap: 1.0 - 0.06 * lap / LAPS)


def drying(place: Ground, seed: int) -> Session:
    return _by_lap(place, seed, lambda lap: 1.0 - 0.15 * max(0.0, 1.0 - lap / 10.0))


def rain_begins(place: Ground, seed: int) -> Session:
    return _by_lap(place, seed, lambda lap: 1.0 if lap < 6 else 0.925 if lap == 6 else 0.85)


def fuel(place: Ground, seed: int) -> Session:
    def heavy(lap: int) -> Faultless:
        more = 1.0 + 0.05 * (1.0 - lap / LAPS)
        return variant(place.name, replace(CAR, mass_kg=CAR.mass_kg * more, downforce_pm=CAR.downforce_pm / more,
                                           drag_pm=CAR.drag_pm / more))  # fmt: skip

    return _on(place, drive(heavy, LAPS, seed))


def _corners(base: Faultless, fault: str) -> list[int]:
    return [c.index for c in base.corners if applies(base, c.index, fault)]


def _some(place: Ground, fault: str, seed: int) -> int:
    """A corner that the profile knows, at which the fault can be made and costs something."""
    known = [c for c in _corners(place.base, fault) if place.names(c)]
    return known[(3 * seed) % len(known)]


def wide_at_apex(place: Ground, seed: int) -> Session:
    there = _some(place, "apex_missed", seed)
    plan = FaultPlan.of(Habit(there, "apex_missed", 1.0, spread=0.1))
    return _on(place, drive(place.base, LAPS, seed, plan), there, "apex_missed")


def wide_on_exit(place: Ground, seed: int) -> Session:
    there = _some(place, "exit_wide", seed)
    plan = FaultPlan.of(Habit(there, "exit_wide", 1.0, spread=0.1))
    return _on(place, drive(place.base, LAPS, seed, plan), there, "exit_wide")


def _in_traffic(base: Faultless, seed: int) -> list[Habit]:
    """Behind a slower car: off the throttle sooner, slower through the middle, late on the throttle, everywhere."""
    rng = np.random.default_rng([seed, 21])
    out = []
    for lap in (4, 5, 9, 10):
        for c in base.corners:
            for fault, most in (("brake_early", 30.0), ("slow_middle", 3.5), ("throttle_late", 25.0)):
                if applies(base, c.index, fault):
                    out.append(Habit(c.index, fault, float(rng.uniform(0.4, 1.0)) * most, laps=(lap,)))
    return out


def traffic(place: Ground, seed: int) -> Session:
    return _on(place, drive(place.base, LAPS, seed, FaultPlan(tuple(_in_traffic(place.base, seed)))))


def habit_in_traffic(place: Ground, seed: int) -> Session:
    there = _some(place, "throttle_late", seed + 1)
    held = [h for h in _in_traffic(place.base, seed) if h.corner != there]
    habit = Habit(there, "throttle_late", 25.0, spread=2.0)
    return _on(place, drive(place.base, LAPS, seed, FaultPlan((habit, *held))), there, "throttle_late")


def cool_down(place: Ground, seed: int) -> Session:
    driven = _clean(place, seed)
    u = driven.driven(place.base.circuit.length_m)
    less = 0.25 * within(u, 4.02, 5.95) + 0.17 * within(u, 8.02, 8.97) + 0.12 * within(u, 11.05, 12.97)
    return _on(place, held_up(driven, place.base, driven.channels["speed_mps"] * (1.0 - less)))


def out_laps(place: Ground, seed: int) -> Session:
    driven = _clean(place, seed)
    u = driven.driven(place.base.circuit.length_m)
    cold = within(u, 0.5, 1.97) + within(u, 5.02, 5.97) + within(u, 9.02, 9.97)
    return _on(place, held_up(driven, place.base, driven.channels["speed_mps"] * (1.0 - 0.12 * cold)))


def yellow(place: Ground, seed: int) -> Session:
    driven = _clean(place, seed)
    u = driven.driven(place.base.circuit.length_m)
    slow = within(u, 5.3, 5.6) + within(u, 6.3, 6.6)
    return _on(place, held_up(driven, place.base, driven.channels["speed_mps"] * (1.0 - 0.4 * slow)))


def spin(place: Ground, seed: int) -> Session:
    base = place.base
    driven = _clean(place, seed)
    length = base.circuit.length_m
    u = driven.driven(length)
    where = 5.0 + base.corners[_some(place, "exit_wide", seed)].exit_m / length
    off = within(u, where - 40.0 / length, where + 60.0 / length, 30.0 / length)
    wheels = np.where(off > 0.5, 4.0, driven.channels["wheels_off"])
    driven = Drive({**driven.channels, "wheels_off": wheels}, driven.lap_start)
    return _on(place, held_up(beside(driven, base, 5.0 * off), base, _uncapped(u), ((where, 4.0),)))


def pit_stop(place: Ground, seed: int) -> Session:
    base = place.base
    driven = _clean(place, seed)
    length = base.circuit.length_m
    u = driven.driven(length)
    lane = within(u, 7.0 - 250.0 / length, 7.0 + 200.0 / length, 60.0 / length)
    cap = np.where(lane > 0.02, 16.0, _uncapped(u))
    return _on(place, held_up(beside(driven, base, 14.0 * lane), base, cap, ((7.0 - 20.0 / length, 20.0),)))


def _uncapped(u: Floats) -> Floats:
    return np.full(len(u), 200.0)


def _room_s(base: Faultless, corner: int) -> float:
    """Seconds from the exit before to the brake point of a corner."""
    before, here = base.corners[corner - 1], base.corners[corner]
    length = base.circuit.length_m
    nodes = np.arange(round(before.exit_m), round(before.exit_m + (here.brake_m - before.exit_m) % length))
    return float(np.sum(1.0 / base.driven.speed_mps[nodes % len(base.driven.speed_mps)]))


@cache
def _by_room(place: Ground) -> tuple[int, ...]:
    """The corners where braking early costs something, those with the least room before them first."""
    known = [c for c in _corners(place.base, "brake_early") if place.names(c) and _cost_s(place.base, c) >= WORTH_S]
    return tuple(sorted(known, key=lambda c: _room_s(place.base, c)))


def _cost_s(base: Faultless, corner: int) -> float:
    """What braking early there costs a lap, by the simulator: the same lap driven again without it."""
    plan = FaultPlan.of(Habit(corner, "brake_early", EARLY_M))
    return simulate(base, 1, rate_hz=RATE_HZ, faults=plan, scatter=SAME).truth[0].cost_s


def _early(place: Ground, seed: int, there: int, on: Faultless | None = None, metres: float = EARLY_M) -> Session:
    base = on or place.base
    habit = Habit(counterpart(place.base, base, there), "brake_early", metres, spread=2.0)
    return _on(place, drive(base, LAPS, seed, FaultPlan.of(habit)), there, "brake_early")


def early_with_room(place: Ground, seed: int) -> Session:
    return _early(place, seed, _by_room(place)[-1])


def early_tight(which: int) -> Callable[[Ground, int], Session]:
    """Brakes early at the place with the least room before it, the next one, and so on."""

    def make(place: Ground, seed: int) -> Session:
        named = TIGHT.get(place.name)
        costly = _by_room(place)
        there = place.base.corner(named[which]) if named else costly[min(which, len(costly) - 1)]
        return _early(place, seed, there)

    return make


def habit_in_the_wet(place: Ground, seed: int) -> Session:
    return _early(place, seed, _by_room(place)[-1], gripping(place, 0.87), 30.0)


def habit_in_slower_car(place: Ground, seed: int) -> Session:
    return _early(place, seed, _by_room(place)[-1], variant(place.name, SLOW_CAR), 30.0)
