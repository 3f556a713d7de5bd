"""The values passed between stages: frozen, units in the names, SI only."""

from __future__ import annotations

from typing import Final, Literal

import msgspec

KMH: Final = 3.6
"""km/h per m/s: only texts are in km/h."""

Direction = Literal["left", "right"]
ApexKind = Literal["early", "mid", "late"]
KerbUse = Literal["use", "touch", "avoid"]
CautionKind = Literal["bump", "crest", "track_limit", "kerb", "surface", "other"]
Fault = Literal[
    "brake_early",
    "brake_late",
    "brake_soft",
    "brake_long",
    "turn_in_early",
    "turn_in_late",
    "apex_missed",
    "slow_middle",
    "coasting",
    "throttle_late",
    "throttle_soft",
    "exit_narrow",
    "exit_wide",
    "gear_high",
    "gear_low",
    "grip_braking",
    "grip_entry",
    "grip_middle",
    "grip_exit",
]
Unit = Literal["m", "m/s", "share", "gear"]
GRIP_FAULTS: Final[frozenset[Fault]] = frozenset({"grip_braking", "grip_entry", "grip_middle", "grip_exit"})
"""Unused grip by phase: found against a reachable lap only, where no other fault explains the loss."""


MOST_APEXES: Final = 4
"""More than these in one corner no driver tells apart (common practice, no source)."""


class Caution(msgspec.Struct, frozen=True):
    """A hazard ``at_m`` along the reference [m]; ``safety`` cautions may interrupt anywhere."""

    kind: CautionKind
    at_m: float
    words: str
    safety: bool = False


class Corner(msgspec.Struct, frozen=True, cache_hash=True):
    """One corner of the profile; every ``*_m`` place is metres along the reference.

    ``boards_m`` are the braking boards, metres before turn-in. ``brake_m`` is NaN for a corner without braking.
    ``more_apexes_m`` are the other apexes of a bend that is braked for once and has several, MOST_APEXES in all.
    ``kerb_entry_m``, ``kerb_apex_m`` and ``kerb_exit_m`` are where a kerb begins and ends, () if unmeasured. ``exit_m``
    is where the car is straight enough to hold full throttle, ``end_m`` where the next straight begins.
    ``latest_brake_m`` and ``widest_exit_offset_m`` (distance from the reference line toward the outside, >= 0) are
    limits no advice may cross.
    """

    name: str
    direction: Direction
    brake_m: float
    turn_in_m: float
    apex_m: float
    exit_m: float
    end_m: float
    say: str = ""
    boards_m: tuple[float, ...] = ()
    gear: int | None = None
    apex: ApexKind | None = None
    kerb_entry: KerbUse | None = None
    kerb_apex: KerbUse | None = None
    kerb_exit: KerbUse | None = None
    kerb_entry_m: tuple[float, ...] = ()
    kerb_apex_m: tuple[float, ...] = ()
    kerb_exit_m: tuple[float, ...] = ()
    cautions: tuple[Caution, ...] = ()
    words: tuple[str, ...] = ()
    muted: frozenset[str] = frozenset()
    latest_brake_m: float = float("nan")
    widest_exit_offset_m: float = float("nan")
    more_apexes_m: tuple[float, ...] = ()

    @property
    def apexes_m(self) -> tuple[float, ...]:
        """All apexes in driving order [m along the reference]."""
        return tuple(sorted((self.apex_m, *self.more_apexes_m)))


class PhaseChange(msgspec.Struct, frozen=True):
    """A change from one corner phase to the next."""

    t_s: float
    lap: int
    s_m: float
    corner: int
    phase: str
    event: str


class Finding(msgspec.Struct, frozen=True):
    """One root cause of lost time in one pass: amount, cost, and evidence.

    ``probability`` (0..1) that this is the cause, against every other explanation.
    """

    fault: Fault
    amount: float
    unit: Unit
    cost_s: float
    evidence: dict[str, float] = {}
    probability: float = 1.0
    apex: int = 0
    """At which apex, from 1 in driving order, of a corner that has several; 0 where it is no matter of one apex."""


class Pass(msgspec.Struct, frozen=True):
    """One drive through one corner and the straight after it, against the reference.

    Losses [s] are positive when time was lost. ``measures`` and ``gaps`` (measure minus reference) hold NaN
    where a channel is absent. ``valid`` is false when wheels were off, tracking was lost or the car was in
    the pits.
    """

    lap: int
    corner: int
    t_s: float
    loss_entry_s: float
    loss_middle_s: float
    loss_exit_s: float
    loss_straight_s: float
    measures: dict[str, float]
    gaps: dict[str, float]
    findings: tuple[Finding, ...] = ()
    valid: bool = True

    @property
    def loss_s(self) -> float:
        """Loss in the corner alone [s]: entry, middle and exit."""
        return self.loss_entry_s + self.loss_middle_s + self.loss_exit_s


class LapDone(msgspec.Struct, frozen=True):
    """A finished lap: its time from line to line, and its loss to the reference [s]."""

    lap: int
    t_s: float
    time_s: float
    delta_s: float
    valid: bool
    why_invalid: str = ""
    short_m: float = 0.0
    """How far before the line its record ended [m]: its time is extrapolated from the speed there; 0 if it did not."""


class Decision(msgspec.Struct, frozen=True):
    """The decision on one candidate cue. ``ends_t_s`` and ``action_t_s`` are predicted session times [s].

    A tone is ``sounded``: ``text`` names it, ``action_t_s`` is the time of its onset.
    """

    t_s: float
    lap: int
    s_m: float
    corner: str
    rule: str
    outcome: Literal["spoken", "held", "sounded"]
    reason: str
    text: str
    ends_t_s: float
    action_t_s: float
    family: str = ""
    fault: str = ""
    safety: bool = False
    slot: str = ""
    """Where it is spoken: before its corner (approach), right after it, on another straight, at the line, in the pits;
    "asked" for answers to the driver.
    """


class Mark(msgspec.Struct, frozen=True):
    """A driver's mark: session time, lap, place along the reference, world position, a name."""

    t_s: float
    lap: int
    s_m: float
    x_m: float
    y_m: float
    name: str


State = Literal["waiting", "live", "lost", "pit"]


class View(msgspec.Struct, frozen=True):
    """The current state for the overlay. ``delta_s`` is positive when slower than the reference; NaN when unknown."""

    t_s: float
    state: State
    lap: int = 0
    s_m: float = float("nan")
    speed_mps: float = float("nan")
    delta_s: float = float("nan")
    predicted_s: float = float("nan")
    next_corner: str = ""
    to_brake_m: float = float("nan")
    phase: str = ""
    condition: str = ""
    """Reduced grip or traffic in words, while pace cues rest because of it; "" in normal conditions."""
    status: str = ""
    """One line about the data or the first laps, such as "no data"; "" if there is none."""
    units: str = "metric"
    """Name of the unit system that the driver reads; the fields above stay in SI."""
