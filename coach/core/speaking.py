"""When the talker is asked, and what it must know of the moment: how far, how fast, from where on it is quiet."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from typing import Final

from coach.core.candidates import Moment
from coach.core.ground import Ground
from coach.core.passes import Driven
from coach.core.phases import QUIET, Phase
from coach.core.reasons import Reason
from coach.core.rules import RuleSet
from coach.core.talker import Talker
from coach.core.timing import OWN_BRAKE_M, UNKNOWN_BRAKE_M, time_to
from coach.core.values import Decision, Fault, Finding
from coach.core.zones import LEAD_M, Zone

OWN_BRAKES: Final = 8
"""So many of his last brake points tell where a driver may brake the next time."""


class Speaking:
    """The talker on one ground; learns where the driver brakes."""

    def __init__(self, ground: Ground, talker: Talker) -> None:
        self.ground = ground
        self.talker = talker
        self._own_brake: dict[int, deque[float]] = {}
        self._earliest: dict[int, float] = {}
        self._presses: deque[float] = deque(maxlen=OWN_BRAKES)
        self.quiet_until_m = -math.inf
        """The driver asked for quiet up to here [m driven]: only safety cautions and what he asks for are said."""

    def swap(
        self, ground: Ground, rules: RuleSet, durations: Mapping[str, float] | None, moved: Mapping[int, int]
    ) -> None:
        """Other corners and rules from now on, ``moved`` old -> new."""
        self.ground = ground
        self._own_brake = {moved[i]: kept for i, kept in self._own_brake.items() if i in moved}
        self._earliest = {moved[i]: place for i, place in self._earliest.items() if i in moved}
        self.talker.swap(rules, tuple(c.name for c in ground.corners), durations, moved)

    def learn(self, driven: Driven, findings: tuple[Finding, ...], unjudged: frozenset[Fault] = frozenset()) -> None:
        """A valid pass: what was found (``unjudged`` could not be), and where the driver braked."""
        kept = self._own_brake.setdefault(driven.corner, deque(maxlen=OWN_BRAKES))
        kept.append(driven.measures["brake_start_m"])
        self._earliest[driven.corner] = min((b for b in kept if b == b), default=math.inf)
        self.talker.passed(driven.corner, findings, unjudged)

    def pressed(self, u_m: float) -> None:
        """The driver pressed the brake."""
        self._presses.append(u_m)

    def _early(self, zone: Zone) -> float:
        """How much before the brake point of ``zone``, as it was driven, the brake was pressed [m]; NaN: not known."""
        there = [u for u in self._presses if zone.start_m - LEAD_M < u < zone.apex_m]
        return zone.brake_m - there[0] if there else math.nan

    def approach(self, corner: int, lap: int, now_s: float, u_m: float) -> list[Decision]:
        """A corner comes up."""
        opened = self.talker.open_approach(self._moment(corner, lap, now_s), self.ground.place(u_m))
        return opened + self._keep_quiet(now_s, u_m)

    def after(self, corner: int, lap: int, now_s: float, u_m: float) -> list[Decision]:
        """A corner is over."""
        opened = self.talker.open_after(self._moment(corner, lap, now_s), self.ground.place(u_m))
        return opened + self._keep_quiet(now_s, u_m)

    def quiet_lap(self, now_s: float, u_m: float) -> list[Decision]:
        """Quiet until the line."""
        self.quiet_until_m = (self.ground.lap(u_m) + 1) * self.ground.reference.length_m
        return self._keep_quiet(now_s, u_m)

    def _keep_quiet(self, now_s: float, u_m: float) -> list[Decision]:
        if u_m >= self.quiet_until_m:
            return []
        return self.talker.drop(lambda c: not c.safety and not c.asked, now_s, self.ground.place(u_m), Reason.QUIET_LAP)

    def quiet_ahead(self, u_m: float) -> float:
        """Where it gets quiet before the corner whose apex is next [m driven], which may be passed; inf without one."""
        lap, length = self.ground.lap(u_m), self.ground.reference.length_m
        laps = (lap - 1, lap, lap + 1) if self.ground.reference.closed else (lap,)
        zones = enumerate(self.ground.zones)
        return min((self._quiet(i, n) for i, z in zones for n in laps if z.apex_m + n * length > u_m), default=math.inf)

    def consider(self, now_s: float, u_m: float, speed_mps: float, phase: Phase, braking: bool) -> list[Decision]:
        """Decide what can be decided now."""

        reach = self.reach(now_s, u_m, speed_mps)
        return self.talker.consider(now_s, self.ground.place(u_m), reach, phase not in QUIET and not braking)

    def in_pit(self, now_s: float, u_m: float, speed_mps: float) -> list[Decision]:
        """In the pits nothing is said but what belongs there."""
        dropped = self.talker.drop(lambda c: c.slot != "pit", now_s, self.ground.place(u_m), Reason.PIT)
        reach = self.reach(now_s, u_m, speed_mps)
        return dropped + self.talker.consider(now_s, self.ground.place(u_m), reach, True)

    def reach(self, now_s: float, u_m: float, speed_mps: float) -> Callable[[float], float]:
        """When a place [m driven] is reached: session time [s], a little on the early side."""

        def at(place_m: float) -> float:
            return now_s + time_to(self.ground.reference, u_m, speed_mps, place_m)

        return at

    def hush(self, now_s: float, u_m: float, reason: Reason) -> list[Decision]:
        """Everything open is held back."""
        return self.talker.hush(now_s, self.ground.place(u_m), reason)

    def _moment(self, corner: int, lap: int, now_s: float) -> Moment:
        zones, approach = self.ground.zones, self.ground.course.approaches[corner]
        zone = zones[corner].shifted(lap * self.ground.reference.length_m)
        following = (corner + 1) % len(zones)
        return Moment(
            now_s,
            lap,
            corner,
            zone,
            self._quiet(approach.anchor, lap - 1 if approach.anchor > corner else lap),
            self._quiet(following, lap + 1 if following == 0 else lap),
            self.ground.gradient[corner],
            self.talker.spoken_in(lap),
            approach.named,
            zones,
            self._early(zone),
            longest=corner == self.ground.longest,
        )

    def _quiet(self, corner: int, lap: int) -> float:
        """Where it gets quiet before a corner: the profile's brake point, or the driver's own if he brakes earlier."""
        zone = self.ground.zones[corner]
        quiet = zone.quiet_m
        earliest = self._earliest.get(corner)
        if earliest is not None:
            quiet = min(quiet, earliest - OWN_BRAKE_M)
        elif zone.brake_m == zone.brake_m:
            quiet -= UNKNOWN_BRAKE_M
        return quiet + lap * self.ground.reference.length_m
