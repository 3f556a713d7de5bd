"""Calls the cue engine with its context: distance, speed, and the start of silence."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from typing import Final

from coach.core.cue.candidates import OpeningContext
from coach.core.cue.cue_engine import CueEngine
from coach.core.cue.reasons import Reason
from coach.core.cue.rules import RuleSet
from coach.core.measure.passes import PassRecord
from coach.core.phases import QUIET, Phase
from coach.core.track.timing import OWN_BRAKE_M, UNKNOWN_BRAKE_M, time_to
from coach.core.track.zones import LEAD_M, Zone
from coach.core.track_model import TrackModel
from coach.core.values import Decision, Fault, Finding

OWN_BRAKES: Final = 8
"""Number of last brake points that predict the driver's next one."""


class CueContext:
    """The cue engine on one track model; learns the driver's brake points."""

    def __init__(self, track_model: TrackModel, cue_engine: CueEngine) -> None:
        self.track_model = track_model
        self.cue_engine = cue_engine
        self._own_brake: dict[int, deque[float]] = {}
        self._earliest: dict[int, float] = {}
        self._presses: deque[float] = deque(maxlen=OWN_BRAKES)
        self.quiet_until_m = -math.inf
        """End of the silence the driver requested [m driven]: only safety cautions and answers are spoken."""

    def swap(
        self, track_model: TrackModel, rules: RuleSet, durations: Mapping[str, float] | None, moved: Mapping[int, int]
    ) -> None:
        """Replace corners and rules, ``moved`` old -> new."""
        self.track_model = track_model
        self._own_brake = {moved[i]: kept for i, kept in self._own_brake.items() if i in moved}
        self._earliest = {moved[i]: place for i, place in self._earliest.items() if i in moved}
        self.cue_engine.swap(rules, tuple(c.name for c in track_model.corners), durations, moved)

    def learn(
        self, driven: PassRecord, findings: tuple[Finding, ...], unjudged: frozenset[Fault] = frozenset()
    ) -> None:
        """Learn from a valid pass: its findings (except ``unjudged`` ones), and the driver's brake point."""
        kept = self._own_brake.setdefault(driven.corner, deque(maxlen=OWN_BRAKES))
        kept.append(driven.measures["brake_start_m"])
        self._earliest[driven.corner] = min((b for b in kept if b == b), default=math.inf)
        self.cue_engine.passed(driven.corner, findings, unjudged, driven.total_s)

    def pressed(self, u_m: float) -> None:
        """Record a brake application."""
        self._presses.append(u_m)

    def _early(self, zone: Zone) -> float:
        """Return how much before the brake point of ``zone``, as it was driven, the brake was pressed [m]; NaN: not
        known.
        """
        there = [u for u in self._presses if zone.start_m - LEAD_M < u < zone.apex_m]
        return zone.brake_m - there[0] if there else math.nan

    def approach(self, corner: int, lap: int, now_s: float, u_m: float) -> list[Decision]:
        """Open candidates on a corner's approach."""
        opened = self.cue_engine.open_approach(self._moment(corner, lap, now_s), self.track_model.place(u_m))
        return opened + self._keep_quiet(now_s, u_m)

    def after(self, corner: int, lap: int, now_s: float, u_m: float) -> list[Decision]:
        """Open candidates after a corner."""
        opened = self.cue_engine.open_after(self._moment(corner, lap, now_s), self.track_model.place(u_m))
        return opened + self._keep_quiet(now_s, u_m)

    def quiet_lap(self, now_s: float, u_m: float) -> list[Decision]:
        """Quiet until the line."""
        self.quiet_until_m = (self.track_model.lap(u_m) + 1) * self.track_model.reference.length_m
        return self._keep_quiet(now_s, u_m)

    def _keep_quiet(self, now_s: float, u_m: float) -> list[Decision]:
        if u_m >= self.quiet_until_m:
            return []
        return self.cue_engine.drop(
            lambda c: not c.safety and not c.asked, now_s, self.track_model.place(u_m), Reason.QUIET_LAP
        )

    def quiet_ahead(self, u_m: float) -> float:
        """Return where it gets quiet before the corner whose apex is next [m driven], which may be passed; inf without
        one.
        """
        lap, length = self.track_model.lap(u_m), self.track_model.reference.length_m
        laps = (lap - 1, lap, lap + 1) if self.track_model.reference.closed else (lap,)
        zones = enumerate(self.track_model.zones)
        return min((self._quiet(i, n) for i, z in zones for n in laps if z.apex_m + n * length > u_m), default=math.inf)

    def consider(self, now_s: float, u_m: float, speed_mps: float, phase: Phase, braking: bool) -> list[Decision]:
        """Decide what is possible now."""

        eta = self.eta(now_s, u_m, speed_mps)
        return self.cue_engine.consider(now_s, self.track_model.place(u_m), eta, phase not in QUIET and not braking)

    def in_pit(self, now_s: float, u_m: float, speed_mps: float) -> list[Decision]:
        """Handle the pits: speak only pit calls."""
        dropped = self.cue_engine.drop(lambda c: c.slot != "pit", now_s, self.track_model.place(u_m), Reason.PIT)
        eta = self.eta(now_s, u_m, speed_mps)
        return dropped + self.cue_engine.consider(now_s, self.track_model.place(u_m), eta, True)

    def eta(self, now_s: float, u_m: float, speed_mps: float) -> Callable[[float], float]:
        """Return the session time of reaching a place [m driven], slightly early [s]."""

        def at(place_m: float) -> float:
            return now_s + time_to(self.track_model.reference, u_m, speed_mps, place_m)

        return at

    def cancel_pending(self, now_s: float, u_m: float, reason: Reason) -> list[Decision]:
        """Hold all open candidates."""
        return self.cue_engine.cancel_pending(now_s, self.track_model.place(u_m), reason)

    def _moment(self, corner: int, lap: int, now_s: float) -> OpeningContext:
        zones, approach = self.track_model.zones, self.track_model.course.approaches[corner]
        zone = zones[corner].shifted(lap * self.track_model.reference.length_m)
        following = (corner + 1) % len(zones)
        return OpeningContext(
            now_s,
            lap,
            corner,
            zone,
            self._quiet(approach.anchor, lap - 1 if approach.anchor > corner else lap),
            self._quiet(following, lap + 1 if following == 0 else lap),
            self.track_model.gradient[corner],
            self.cue_engine.spoken_in(lap),
            approach.named,
            zones,
            self._early(zone),
            longest=corner == self.track_model.longest,
        )

    def _quiet(self, corner: int, lap: int) -> float:
        """Return the start of silence before a corner: the profile's brake point, or the driver's own if earlier."""
        zone = self.track_model.zones[corner]
        quiet = zone.quiet_m
        earliest = self._earliest.get(corner)
        if earliest is not None:
            quiet = min(quiet, earliest - OWN_BRAKE_M)
        elif zone.brake_m == zone.brake_m:
            quiet -= UNKNOWN_BRAKE_M
        return quiet + lap * self.track_model.reference.length_m
