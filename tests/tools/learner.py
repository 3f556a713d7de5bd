"""A simulated driver who learns from what he hears, for the closed loop: coach -> driver -> lap -> coach.

Each habit of the driver has a strength 1 at first, with two corrected parts: ``firm`` is kept, ``leaned`` is there only
as long as he is reminded (the guidance hypothesis of Winstein & Schmidt 1990, JEP:LMC 16(4):677-691). What is left of
the habit is driven on each pass, less what a cue heard in time changes in that very pass.

Published:
- A cue is acted on only if it ends REACTION_S before its action (Green 2000, Transp Human Factors 2(3):195-216).
- Of one message four units are taken in at most (Gatling 1975, FHWA-RD-75-73); of all that was heard in the last lap
  four things are kept in mind (Cowan 2001, Behav Brain Sci 24:87-114, from memory).
- Who listens reacts 0.13 s later (Horrey & Wickens 2006, Human Factors 48(1):196-205, from memory) and misses twice as
  much (Strayer & Johnston 2001, Psych Sci 12(6):462-466, from memory: twice the missed signals).
- Kept from trial to trial: 0.992 of the slow part, 0.59 of the fast part; learned without a word: 0.02 of what is left,
  the slow gain (Smith, Ghazizadeh & Shadmehr 2006, PLoS Biol 4(6):e179, from memory; their task is reaching).
- What is recalled without a cue becomes firm, and the less so the more constantly cues came (direction: Winstein &
  Schmidt 1990; Park, Shea & Wright 2000, J Motor Behavior; Aoyagi et al. 2019, J Phys Ther Sci 31(8):687-691).
Assumed, no source: the shares in Traits (``closed_loop.py --vary`` halves and doubles them) and OVERDONE.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, field

import numpy as np
from simulated import frame_columns

from coach.core.columns import Columns
from feeds.practice import UNITS, FaultPlan, Habit, Scatter, applies
from feeds.practice.faultless import Faultless
from feeds.practice.simulate import Run

REACTION_S = 0.75
LISTENING_S = 0.13
UNITS_A_MESSAGE = 4
IN_MIND = 4
FAST_KEPT, SLOW_KEPT, OWN = 0.59, 0.992, 0.02
BUSY_TAKEN = 0.5
EARLY_S = 8.0
"""A message that begins earlier before its action is out of mind by then (Wan, Wu & Zhang 2016: 4 to 8 s)."""
NEARLY_MENDED = 0.1
"""A driver with so little left of a habit needs no cue about it."""

OVERDONE = {
    "brake_early": Habit(0, "brake_late", 4.0),
    "brake_late": Habit(0, "brake_early", 8.0),
    "turn_in_early": Habit(0, "turn_in_late", 5.0),
    "turn_in_late": Habit(0, "turn_in_early", 5.0),
    "slow_middle": Habit(0, "exit_wide", 0.5),
    "throttle_late": Habit(0, "exit_wide", 0.5),
    "throttle_soft": Habit(0, "exit_wide", 0.5),
    "coasting": Habit(0, "exit_wide", 0.5),
    "exit_narrow": Habit(0, "exit_wide", 0.8),
    "exit_wide": Habit(0, "exit_narrow", 1.0),
}
"""The reaction of a driver who follows a cue that does not apply, in that pass."""
LIKE = (
    {"throttle_late", "coasting", "throttle_soft", "grip_exit"}, {"brake_soft", "grip_braking"},
    {"slow_middle", "grip_middle"}, {"coasting", "grip_entry"}, {"brake_early", "grip_entry"},
    {"gear_high"}, {"gear_low"},
)  # fmt: skip
"""Faults that the same action fixes."""


@dataclass(frozen=True)
class Traits:
    """The driver's assumed shares: ``follows`` of what a cue asks is done in that pass, ``learns`` is learned of it.

    ``firm_at_once`` of that is firm; on a pass without a cue ``recall`` of the leaned part becomes firm, less by how
    constantly cues came, which he notices with the weight ``constant``. ``spread`` is the deviation of both draws.
    """

    follows: float = 0.5
    learns: float = 0.3
    firm_at_once: float = 0.2
    recall: float = 0.5
    constant: float = 0.3
    spread: float = 0.15


@dataclass(frozen=True)
class Heard:
    """A message from ``t_s`` to ``ends_s`` [s] about a corner (its index, None for no corner).

    ``asks`` are (fault, metres named or NaN), empty when nothing is asked; ``things`` is how much of it has to be
    kept in mind (a praise is not). ``acts_s`` is when the speaker expects the action [s].
    """

    t_s: float
    ends_s: float
    corner: int | None
    asks: tuple[tuple[str, float], ...] = ()
    things: int = 1
    acts_s: float = math.nan


@dataclass
class _Mended:
    firm: float = 0.0
    leaned: float = 0.0
    constant: float = 0.0

    @property
    def left(self) -> float:
        return max(1.0 - self.firm - self.leaned, 0.0)


@dataclass(frozen=True)
class _Plan(FaultPlan):
    """The habits as the driver's mind leaves them."""

    driver: LearningDriver | None = None

    def on_lap(self, lap: int, rng: np.random.Generator) -> tuple[Habit, ...]:
        assert self.driver is not None
        return self.driver.driven(lap, super().on_lap(lap, rng))


@dataclass
class Log:
    """Outcomes of the messages."""

    counts: dict[str, int] = field(default_factory=dict)

    def add(self, what: str) -> None:
        self.counts[what] = self.counts.get(what, 0) + 1


class LearningDriver:
    """Drives stretch by stretch (one round from the longest straight to itself) and hears while he drives.

    ``drive`` begins a stretch and gives its frames; ``hear`` may change what of it still lies ahead: then ``columns``
    are other ones from there on. The same for the same ``seed`` and messages.
    """

    def __init__(
        self,
        base: Faultless,
        habits: tuple[Habit, ...],
        seed: int,
        *,
        rate_hz: float = 20.0,
        scatter: Scatter | None = None,
        traits: Traits | None = None,
    ) -> None:
        self.base = base
        self.traits = traits or Traits()
        self.log = Log()
        self._run = Run(base, rate_hz=rate_hz, seed=seed, plan=_Plan(habits, self), scatter=scatter)
        self._before = self._run
        self._mended = {(base.corner(h.corner), h.fault): _Mended() for h in habits}
        self._start = {(base.corner(h.corner), h.fault): h.amount for h in habits}
        self._rng = np.random.default_rng([seed, 7])
        self._guided: dict[tuple[int, int, str], float] = {}
        self._learned: dict[tuple[int, int, str], float] = {}
        self._extra: dict[tuple[int, int, str], Habit] = {}
        self._recent: list[float] = []
        self.lap_start: dict[int, float] = {}

    @property
    def lap_times(self) -> list[float]:
        """The times of the whole laps driven so far, from lap 1 on [s]."""
        starts = [self.lap_start[lap] for lap in sorted(self.lap_start) if lap >= 1]
        return np.diff(starts).tolist()

    @property
    def left(self) -> float:
        """Mean share of the habits that is left when nothing is said."""
        return float(np.mean([m.left for m in self._mended.values()])) if self._mended else 0.0

    @property
    def habits(self) -> tuple[tuple[int, str], ...]:
        """Corner and fault of each habit."""
        return tuple(self._mended)

    def acts_at(self, corner: int, fault: str) -> float:
        """When in this stretch he does what ``fault`` is about [s]; inf when not in this one."""
        lap = self._next_pass(corner, float(self.place_m[0]))
        return self._when(self._action(corner, fault, lap))

    def drive(self) -> Columns:
        """Begin the next stretch."""
        self._before = self._run
        self._again()
        return self.columns

    def _again(self) -> None:
        """Drive the stretch from its beginning, with what is in mind now; up to what changed it is the same."""
        self._run = copy.copy(self._before)
        self._run.sampler = copy.copy(self._before.sampler)
        self._stretch, sampled = self._run.advance()
        self._crossings = sampled.crossings
        channels = sampled.channels
        self.columns = frame_columns(channels)
        self.place_m = channels["lap"] * self.base.circuit.length_m + channels["lap_distance_m"]

    def driven(self, lap: int, habits: tuple[Habit, ...]) -> tuple[Habit, ...]:
        """The habits of a lap, with this lap's draws, as they are left; and what listening does on top."""
        out = []
        for habit in habits:
            corner = self.base.corner(habit.corner)
            left = self._mended[corner, habit.fault].left
            left *= 1.0 - self._guided.get((lap, corner, habit.fault), 0.0)
            out.append(Habit(corner, habit.fault, habit.amount * left))
        return (*out, *(h for (at, _, _), h in self._extra.items() if at == lap))

    def hear(self, heard: Heard, spoken: bool = True) -> bool:
        """A message; true when it changes what is driven from here on.

        Not ``spoken``: something he sets himself to do, which he needs no ear for.
        """
        here = float(np.interp(heard.t_s, self.columns["t_s"], self.place_m))
        busy = self._busy(heard) if spoken else []
        changed = False
        for lap, corner in busy:
            changed = self._listen(lap, corner) or changed
        lap_s = self.base.lap_time_s
        asks = heard.asks[:UNITS_A_MESSAGE]
        self._recent = [t for t in self._recent if t > heard.t_s - lap_s] + [heard.t_s] * heard.things
        load = min(1.0, IN_MIND / max(len(self._recent), 1))
        if spoken:
            self.log.add("messages")
        if busy:
            self.log.add("while busy")
        if heard.corner is not None:
            lap = self._next_pass(heard.corner, here)
            if load < 1.0:
                self.log.add("too many in mind")
                changed = self._listen(lap, heard.corner) or changed
            for fault, metres in asks:
                self._judge(lap, heard, fault)
                taken = load * (BUSY_TAKEN if busy else 1.0)
                changed = self._ask(lap, heard.corner, fault, metres, heard.ends_s, taken) or changed
        if changed:
            self._again()
        return changed

    def _judge(self, lap: int, heard: Heard, fault: str) -> None:
        """Record whether the cue is right, and whether it comes over EARLY_S ahead."""
        assert heard.corner is not None
        self.log.add("asked")
        own = self._own(heard.corner, fault)
        if not own or self._mended[heard.corner, own[0]].left < NEARLY_MENDED:
            self.log.add("asked wrongly")
        acts = self._when(self._action(heard.corner, own[0] if own else fault, lap))
        if not math.isfinite(acts):
            # in the next stretch, which is not driven yet
            acts = heard.acts_s
        if acts - heard.t_s > EARLY_S:
            self.log.add("over 8 s ahead")

    def _own(self, corner: int, fault: str) -> list[str]:
        """The habits there that the driver thinks of when he hears of ``fault``."""
        return [f for (c, f) in self._mended if c == corner and (f == fault or any({f, fault} <= s for s in LIKE))]

    def _ask(self, lap: int, corner: int, fault: str, metres: float, ends_s: float, taken: float) -> bool:
        """One thing asked for; whether it changes the pass."""
        if self._rng.random() > taken:
            self.log.add("not taken in")
            return False
        own = self._own(corner, fault)
        follows, learns = self._share(self.traits.follows), self._share(self.traits.learns)
        if ends_s + REACTION_S > self._when(self._action(corner, own[0] if own else fault, lap)):
            self.log.add("too late")
            return False
        if not own:
            self.log.add("wrong")
            return self._overdo(lap, corner, fault, follows)
        key = (corner, own[0])
        left = self._mended[key].left * self._start[key]
        # he does what was said: five metres are five metres
        asked = metres if math.isfinite(metres) and UNITS[own[0]] == "m" else left
        self.log.add("followed")
        if left > 1e-6 and (lap, *key) not in self._guided:
            self._guided[lap, *key] = min(follows * asked / left, 1.0)
            self._learned[lap, *key] = min(learns * asked / self._start[key], learns * self._mended[key].left)
        if follows * asked > left:
            self._overdo(lap, corner, fault, (follows * asked - left) / asked)
        return True

    def _share(self, mean: float) -> float:
        """A share around ``mean``: a beta distribution of the deviation ``spread``."""
        spread = min(self.traits.spread, 0.9 * math.sqrt(mean * (1.0 - mean)))
        n = mean * (1.0 - mean) / spread**2 - 1.0
        return float(self._rng.beta(mean * n, (1.0 - mean) * n))

    def _overdo(self, lap: int, corner: int, fault: str, share: float) -> bool:
        more = OVERDONE.get(fault)
        if more is None or not applies(self.base, corner, more.fault):
            return False
        self._extra[lap, corner, more.fault] = Habit(corner, more.fault, 2.0 * share * more.amount)
        return True

    def _listen(self, lap: int, corner: int) -> bool:
        """He listens in the corner: off the brake and on the throttle that much later; whether that is new."""
        if (lap, corner, "throttle_late") in self._extra:
            return False
        later = LISTENING_S * self.base.corners[corner].slowest_mps
        for fault in ("brake_long", "throttle_late"):
            self._extra[lap, corner, fault] = Habit(corner, fault, later)
        return True

    def _busy(self, heard: Heard) -> list[tuple[int, int]]:
        """(lap, corner) of the passes of this stretch between whose brake and exit he is spoken to."""
        m = self.base.circuit.length_m
        out = []
        laps = range(int(self.place_m[0] // m) - 1, int(self.place_m[-1] // m) + 2)
        for lap in laps:
            for c in self.base.corners:
                begin = c.brake_m if c.braked else c.turn_in_m
                begin_s, end_s = self._when(lap * m + begin), self._when(lap * m + c.exit_m)
                if heard.t_s < end_s and heard.ends_s > begin_s and math.isfinite(end_s) and begin_s >= 0.0:
                    out.append((lap, c.index))
        return out

    def _next_pass(self, corner: int, here_m: float) -> int:
        """The lap whose pass of the corner comes next."""
        m = self.base.circuit.length_m
        return math.ceil((here_m - self.base.corners[corner].apex_m) / m)

    def _action(self, corner: int, fault: str, lap: int) -> float:
        """Where [m of the run] the driver does what the fault is about, as his habit is now."""
        c = self.base.corners[corner]
        mended = self._mended.get((corner, fault))
        amount = mended.left * self._start[corner, fault] if mended is not None else 0.0
        brake = c.brake_m if c.braked else c.turn_in_m
        if fault.startswith(("brake", "gear", "two_stabs", "lift")):
            place = brake - (amount if fault == "brake_early" else 0.0)
        elif fault.startswith(("throttle", "coasting")):
            place = c.throttle_m - (0.6 * amount if fault == "coasting" else 0.0)
        elif fault.startswith("exit"):
            place = c.apex_m
        else:
            place = c.turn_in_m - (amount if fault == "turn_in_early" else 0.0)
        return lap * self.base.circuit.length_m + place

    def _when(self, u_m: float) -> float:
        """Session time at a place of this stretch; inf after it, -1 before it."""
        if u_m > self.place_m[-1]:
            return math.inf
        if u_m < self.place_m[0]:
            return -1.0
        return float(np.interp(u_m, self.place_m, self.columns["t_s"]))

    def end(self) -> None:
        """The stretch is over: what was done in it is learned, what was not called for fades."""
        self.lap_start.update(self._crossings)
        t = self.traits
        m = len(self.base.circuit)
        for (corner, fault), mended in self._mended.items():
            apex = round(self.base.corners[corner].apex_m / self.base.circuit.step_m)
            lap = math.ceil((self._stretch.first - apex) / m)
            if lap < 1 or not lap * m + apex < self._stretch.last:
                continue
            key = (lap, corner, fault)
            if key in self._guided:
                learned = self._learned[key]
                mended.firm += t.firm_at_once * (1.0 - mended.constant) * learned
                mended.leaned += (1.0 - t.firm_at_once * (1.0 - mended.constant)) * learned
                mended.constant += t.constant * (1.0 - mended.constant)
            else:
                recalled = t.recall * (1.0 - mended.constant) * mended.leaned
                mended.firm = SLOW_KEPT * mended.firm + recalled + OWN * mended.left
                mended.leaned = FAST_KEPT * (mended.leaned - recalled)
                mended.constant -= t.constant * mended.constant
