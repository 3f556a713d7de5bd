"""Tones where words are too slow: predicts when each is due between frames, and selects corners and laps.

A count-down of three to the brake point, one at the reference's release of the brake, one after a corner that gained or
lost. Times are the reference's own, scaled by the car's pace. A decision on a tone is made LEAD_S before it is due, so
that its onset does not depend on frame batches. Equal steps of a count-down let the driver predict the event (common
practice, no source).
"""

from __future__ import annotations

import math
from typing import Final, Literal, get_args

import msgspec

from coach.core.cue.arbiter import Arbiter
from coach.core.cue.memory import DriverProgress, Progress
from coach.core.cue.reasons import Reason
from coach.core.diagnose.tolerance import FLOOR
from coach.core.track_model import TrackModel
from coach.core.values import Decision

ToneKind = Literal["count", "release", "delta"]
KINDS: Final[tuple[str, ...]] = get_args(ToneKind)
Clip = Literal["count", "point", "release", "gain", "loss"]
NEVER: Final = float("inf")
LEAD_S: Final = 0.1
"""Time from decision to onset: a frame, the transfer to the voice, the device's latency."""
TONE_S: Final = 0.08
"""Duration of a tone."""
SEQUENCE: Final[dict[str, tuple[tuple[float, Clip], ...]]] = {
    "count": ((-0.6, "count"), (-0.3, "count"), (0.0, "point")),
    "release": ((0.0, "release"),),
}
"""Seconds from the reference's time at the place, and the tone."""
TOO_LATE_S: Final = 0.02
FELT_S: Final = 0.05
"""Least gain or loss since the previous corner for a tone (common practice, no source)."""
GOOD_PASSES: Final = 3
BAD_PASSES: Final = 2
"""Number of good passes that fade a tone by one step, and of bad ones that restore it, as with cues."""
_GAP: Final = {"count": "brake_start_m", "release": "brake_release_m"}


class ToneOptions(msgspec.Struct, frozen=True):
    """Choice of tones; ``corner`` "" for all. ``late_s`` is the age of a frame on arrival [s]."""

    kinds: tuple[ToneKind, ...] = ()
    corner: str = ""
    late_s: float = 0.0


class _Target(msgspec.Struct, frozen=True):
    place_m: float
    corner: int
    kind: ToneKind
    lap: int = 0


class Tones:
    """The tones of one run; none until ``choose``. ``wake_s`` is the time of the next check."""

    def __init__(self, track_model: TrackModel, memory: DriverProgress) -> None:
        self.options = ToneOptions()
        self.wake_s = NEVER
        self._ground = track_model
        self._memory = memory
        self._targets: list[_Target] = []
        self._target: _Target | None = None
        self._step = 0
        self._behind_s = math.nan

    def choose(self, options: ToneOptions, now_s: float, u_m: float) -> None:
        """Use these tones from now on."""
        self.options = options
        self.swap(self._ground, now_s, u_m)

    def swap(self, track_model: TrackModel, now_s: float, u_m: float) -> None:
        """Replace the corners."""
        self._ground = track_model
        length = track_model.reference.length_m
        found = []
        for i, zone in enumerate(track_model.zones):
            if self.options.corner in ("", zone.corner.name):
                places = {
                    # not later than the profile allows
                    "count": float(min(zone.brake_m, zone.corner.latest_brake_m))
                    if zone.corner.latest_brake_m == zone.corner.latest_brake_m
                    else zone.brake_m,
                    "release": track_model.builder.corners[i].measures["brake_release_m"],
                }
                for kind in self.options.kinds:
                    place = places.get(kind, math.nan)
                    if place == place:
                        found.append(_Target(place % length if track_model.reference.closed else place, i, kind))
        self._targets = sorted(found, key=lambda t: (t.place_m, t.kind))
        self.begin(now_s, u_m)

    def begin(self, now_s: float, u_m: float) -> None:
        """Start at ``u_m``: the next target lies ahead."""
        self._behind_s = math.nan
        self._aim(now_s, u_m)

    def skip(self, now_s: float, u_m: float) -> None:
        """Sound nothing."""
        self._aim(now_s + LEAD_S, u_m)

    def _aim(self, wake_s: float, u_m: float, after: _Target | None = None) -> None:
        """Set the next target beyond ``u_m``, to check from ``wake_s`` on."""
        self._target, self._step, self.wake_s = None, 0, NEVER
        track_model = self._ground
        lap, length = track_model.lap(u_m), track_model.reference.length_m
        past = (-math.inf, "") if after is None else (after.place_m, after.kind)
        for n in (lap, lap + 1, lap + 2) if track_model.reference.closed else (0,):
            for target in self._targets:
                place = target.place_m + n * length
                if place > u_m and (place, target.kind) > past:
                    self._target = msgspec.structs.replace(target, place_m=place, lap=n)
                    self.wake_s = wake_s
                    return

    def look(self, now_s: float, u_m: float, speed_mps: float, braking: bool, arbiter: Arbiter) -> list[Decision]:
        """Return the decisions at ``now_s``."""
        out: list[Decision] = []
        reference = self._ground.reference
        while self._target is not None:
            target = self._target
            if u_m > target.place_m or not speed_mps > 1.0:
                self._aim(now_s + LEAD_S, u_m, target if u_m > target.place_m else None)
                break
            planned = reference.value("t_s", target.place_m) - reference.value("t_s", u_m)
            pace = reference.value("speed_mps", u_m) / speed_mps
            offset, clip = SEQUENCE[target.kind][self._step]
            ahead = planned * pace + offset - self.options.late_s
            if ahead > LEAD_S:
                # an accelerating car arrives earlier: check again half way
                self.wake_s = now_s + max(0.5 * (ahead - LEAD_S), 1e-6)
                break
            reason = self._silent(target, now_s + ahead, ahead, braking, arbiter)
            out.append(self._decision(target, clip, now_s, u_m, now_s + ahead, reason))
            if not reason:
                arbiter.busy_until_s = max(arbiter.busy_until_s, now_s + ahead + TONE_S)
                self._progress(target).said_lap = target.lap
            self._step += 1
            if reason or self._step == len(SEQUENCE[target.kind]):
                self._aim(now_s + 1e-6, u_m, target)
                break
        return out

    def corner_over(self, corner: int, now_s: float, u_m: float, arbiter: Arbiter) -> list[Decision]:
        """Sound the gain or loss since the previous corner."""
        if "delta" not in self.options.kinds:
            return []
        behind = now_s - self._ground.reference.value("t_s", u_m)
        change, self._behind_s = behind - self._behind_s, behind
        if not abs(change) >= FELT_S or self.options.corner not in ("", self._ground.corners[corner].name):
            return []
        due = now_s + LEAD_S
        target = _Target(u_m, corner, "delta", self._ground.lap(u_m))
        reason = Reason.WORDS_FIRST if arbiter.busy_until_s > now_s else Reason.NONE
        if not reason:
            arbiter.busy_until_s = due + TONE_S
        return [self._decision(target, "loss" if change > 0.0 else "gain", now_s, u_m, due, reason)]

    def learn(self, corner: int, gaps: dict[str, float]) -> None:
        """Learn from a valid pass: an unneeded tone fades."""
        for kind, name in _GAP.items():
            gap = gaps.get(name, math.nan)
            if kind in self.options.kinds and gap == gap:
                p = self._progress(_Target(0.0, corner, "count" if kind == "count" else "release"))
                p.good, p.bad = (p.good + 1, 0) if abs(gap) <= FLOOR[name] else (0, p.bad + 1)
                if p.bad >= BAD_PASSES:
                    p.stage = "each"
                elif p.good >= 2 * GOOD_PASSES:
                    p.stage = "outside"
                elif p.good >= GOOD_PASSES and p.stage == "each":
                    p.stage = "alternate"

    def _silent(self, target: _Target, due_s: float, ahead_s: float, braking: bool, arbiter: Arbiter) -> Reason:
        if ahead_s < -TOO_LATE_S:
            return Reason.NO_ROOM
        if target.kind == "count" and braking:
            return Reason.BRAKING
        if arbiter.busy_until_s > due_s:
            return Reason.WORDS_FIRST
        p = self._progress(target)
        again = p.said_lap == target.lap or p.stage == "each"
        if self._step == 0 and not again and (p.stage == "outside" or target.lap - p.said_lap < 2):
            return Reason.KNOWN
        return Reason.NONE

    def _progress(self, target: _Target) -> Progress:
        key = f"{target.kind} tone@{self._ground.corners[target.corner].name}"
        return self._memory.progress.setdefault(key, Progress())

    def _decision(self, target: _Target, clip: Clip, t: float, u: float, due: float, reason: Reason) -> Decision:
        return Decision(
            t_s=t,
            lap=target.lap,
            s_m=self._ground.place(u),
            corner=self._ground.corners[target.corner].name,
            rule=f"{target.kind}_tone",
            outcome="held" if reason else "sounded",
            reason=str(reason),
            text=clip,
            ends_t_s=due + TONE_S,
            action_t_s=due,
            family="tone",
        )
