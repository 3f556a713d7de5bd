"""Rows of the history."""

from __future__ import annotations

import msgspec

from coach.core.values import Finding


class SessionInfo(msgspec.Struct, frozen=True):
    """Identity of a session; ``started_at`` ISO 8601."""

    name: str
    started_at: str
    circuit: str
    driver: str
    car: str = ""
    length_m: float = 0.0
    reference_s: float = 0.0


class LapRow(msgspec.Struct, frozen=True):
    """A lap: time [s], time lost to the reference [s] or None."""

    lap: int
    time_s: float
    delta_s: float | None
    valid: bool


class PassRow(msgspec.Struct, frozen=True):
    """A pass of a corner with its findings; ``place`` is the corner's number in driving order."""

    lap: int
    corner: str
    place: int
    loss_s: float
    straight_s: float
    valid: bool
    brake_start_m: float | None = None
    min_speed_mps: float | None = None
    findings: tuple[Finding, ...] = ()


class CueRow(msgspec.Struct, frozen=True):
    """A decision about a cue, with its wording."""

    lap: int
    corner: str
    t_s: float
    rule: str
    family: str
    fault: str
    template: str
    text: str
    spoken: bool
    reason: str
    before_corner: bool


class SessionRow(msgspec.Struct, frozen=True):
    """A stored session with its best valid lap [s] and number of laps."""

    id: int
    name: str
    started_at: str
    circuit: str
    driver: str
    laps: int
    best_s: float | None


class CornerRow(msgspec.Struct, frozen=True):
    """A corner in one session: mean time lost per valid pass [s] and its faults: (passes with it, mean cost [s])."""

    session: int
    corner: str
    passes: int
    loss_s: float
    faults: dict[str, tuple[int, float]]
