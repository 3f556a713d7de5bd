"""Is what is said right, early enough and rare enough? Simulated laps, cues judged against what the car really did.

python tests/tools/cue_bench.py                 (about 500 laps: two circuits, three skills, three rule sets, two ears)
python tests/tools/cue_bench.py --laps 4 --show 5
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field
from functools import cache
from itertools import product

import msgspec
import numpy as np
from generated_circuits import generated_circuit
from simulated import columns_of, match_corners

from coach.core.columns import Columns
from coach.core.pipeline import Pipeline
from coach.core.track.reference import Reference
from coach.core.values import Caution, Corner, Decision, Pass
from coach.outputs.voice.bank import estimate_s
from coach.profile.rule_files import load_rules, phrases
from coach.survey.survey import survey
from feeds.errors import FeedEnded
from feeds.practice import FaultPlan, Habit, Noise, Scatter, applies, faultless, hollow_ridge, simulate
from feeds.practice.faultless import Faultless
from feeds.practice.feed import PracticeFeed

MARGIN_NEW_S, MARGIN_REHEARSED_S = 1.25, 0.75
SETTLED_LAP = 8
BRAKE_ON = 0.1


@dataclass(frozen=True)
class Skill:
    """How a driver drives: his scatter, and his faults as (fault, amount)."""

    name: str
    scatter: Scatter
    faults: tuple[tuple[str, float], ...]
    share: float
    """Share of the corners that have a fault."""


SKILLS = (
    Skill("quick", Scatter(1.5, 0.2, 0.1), (("brake_early", 8.0), ("throttle_late", 8.0), ("exit_narrow", 1.5)), 0.25),
    Skill(
        "middling",
        Scatter(3.0, 0.4, 0.2),
        (("brake_early", 15.0), ("throttle_late", 14.0), ("slow_middle", 2.0), ("coasting", 20.0), ("brake_soft", 0.2)),
        0.45,
    ),
    Skill(
        "learner",
        Scatter(6.0, 0.8, 0.35),
        (
            ("brake_early", 30.0),
            ("slow_middle", 3.5),
            ("throttle_late", 25.0),
            ("brake_soft", 0.35),
            ("turn_in_early", 12.0),
            ("apex_missed", 2.0),
            ("brake_long", 20.0),
            ("brake_late", 8.0),
        ),
        0.7,
    ),
)


@dataclass(frozen=True, eq=False)
class Ground:
    """A circuit with the profile made of it; ``match`` is product corner -> simulator corner."""

    base: Faultless
    reference: Reference
    corners: tuple[Corner, ...]
    match: dict[int, int]


@cache
def ground(circuit: str) -> Ground:
    """Survey of six clean laps, with the notes a person would add."""
    base = faultless(hollow_ridge() if circuit == "demo" else generated_circuit(int(circuit)))
    columns = columns_of(simulate(base, 6, seed=3, scatter=Scatter(1.0, 0.1, 0.1)))
    found = survey(columns, circuit=circuit)

    match = match_corners(base, found.corners, found.reference)
    corners = tuple(_noted(c, i) for i, c in enumerate(found.corners))
    return Ground(base, found.reference, corners, match)


def _noted(corner: Corner, i: int) -> Corner:
    notes: dict[str, object] = {"say": f"turn {i + 1}", "gear": corner.gear or 3, "apex": corner.apex or "mid"}
    if i % 3 == 0:
        notes |= {"kerb_exit": "avoid", "words": ("release slowly",)}
    if i % 4 == 1:
        notes["cautions"] = (Caution("bump", corner.turn_in_m - 5.0, "bump on entry", safety=True),)
    if i % 4 == 3:
        notes["cautions"] = (Caution("track_limit", corner.exit_m, "track limits on exit"),)
    return msgspec.structs.replace(corner, **notes)


def plan_of(base: Faultless, skill: Skill, seed: int) -> FaultPlan:
    """The driver's habits: one fault a corner at most, on the share of corners the skill has."""
    rng = np.random.default_rng([seed, 5])
    habits = []
    for corner in base.corners:
        if rng.random() >= skill.share:
            continue
        fits = [f for f in skill.faults if applies(base, corner.index, f[0])]
        if fits:
            fault, amount = fits[int(rng.integers(len(fits)))]
            habits.append(Habit(corner.index, fault, amount, spread=0.12 * amount))
    return FaultPlan(tuple(habits))


@dataclass
class Tally:
    """What a group of runs came to."""

    laps: int = 0
    spoken: int = 0
    late_action: int = 0
    late_brake: int = 0
    in_quiet: int = 0
    slack: list[float] = field(default_factory=list)
    per_lap: list[int] = field(default_factory=list)
    settled: list[int] = field(default_factory=list)
    passes: Counter[str] = field(default_factory=Counter)
    rules: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    faults_begin: int = 0
    faults_end: int = 0
    by_lap: dict[int, list[int]] = field(default_factory=dict)

    def add(self, other: Tally) -> None:
        """Sum up."""
        for name in ("laps", "spoken", "late_action", "late_brake", "in_quiet", "faults_begin", "faults_end"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name in ("slack", "per_lap", "settled"):
            getattr(self, name).extend(getattr(other, name))
        for name in ("passes", "rules", "reasons"):
            getattr(self, name).update(getattr(other, name))
        for lap, counts in other.by_lap.items():
            self.by_lap.setdefault(lap, []).extend(counts)


@dataclass
class Driven:
    """One run: its frames, what was decided, and the habits as they were before each lap."""

    columns: Columns
    decisions: list[Decision]
    passes: list[Pass]
    pipeline: Pipeline
    truth: set[tuple[int, int, str]]
    new: set[int]


def drive(place: Ground, rules: str, skill: Skill, answers: bool, laps: int, seed: int, noise: Noise | None) -> Driven:
    """A driver with the coach in his ear."""
    chosen = load_rules(rules)
    durations = {text: estimate_s(text, 160) for text in phrases(chosen, place.corners)}
    pipeline = Pipeline(place.reference, place.corners, chosen, durations)
    plan = plan_of(place.base, skill, seed)
    feed = PracticeFeed(
        place.base, seed=seed, laps=laps, rate_hz=30.0, faults=plan, scatter=skill.scatter, noise=noise, learns=0.5
    )
    parts: list[Columns] = []
    decisions: list[Decision] = []
    passes: list[Pass] = []
    new: set[int] = set()
    names = {c.name: i for i, c in enumerate(place.corners)}
    while True:
        try:
            frames = feed.read_many(8, 1.0)
        except FeedEnded:
            break
        parts.append(Columns.of(frames))
        happened = pipeline.push_columns(parts[-1])
        for d in happened.decisions:
            # a call has no progress: nobody has to learn it
            if d.outcome == "spoken" and d.family != "call":
                progress = pipeline.cue_engine.schedule.memory.progress[f"{d.rule}@{d.corner}"]
                if progress.said <= 2 or pipeline.cue_engine.schedule.memory.heard[d.text] <= 1:
                    new.add(len(decisions))
                heard = place.match.get(names[d.corner])
                if answers and d.family == "correction" and heard is not None:
                    feed.hear(heard, d.fault)
            decisions.append(d)
        passes += happened.passes
    decisions += pipeline.finish().decisions
    truth = {(t.lap, t.corner, t.fault) for t in feed.truth if t.cost_s >= 0.03}
    return Driven(Columns.join(parts), decisions, passes, pipeline, truth, new)


class Judge:
    """Judges the cues of one run by the frames alone: where the car was when, and when it really braked."""

    def __init__(self, place: Ground, run: Driven) -> None:
        self.place, self.run = place, run
        fresh = Pipeline(place.reference, place.corners, load_rules("race"))
        t, u, brake = [], [], []
        for why in fresh.clock_gate.take(run.columns):
            for fixes, _ in fresh.locator.locate(why[0]):
                t.append(fixes.t_s)
                u.append(fixes.u_m)
                brake.append(why[0]["brake"][fixes.row])
        self.t, self.u, self.brake = np.concatenate(t), np.maximum.accumulate(np.concatenate(u)), np.concatenate(brake)
        self.zones = fresh.track_model.zones
        self.length = place.reference.length_m
        self.quiet = self._quiet()

    def when(self, u_m: float) -> float:
        """Session time at which the car really was at ``u_m`` [m driven]; NaN beyond the run."""
        i = int(np.searchsorted(self.u, u_m))
        if i == 0 or i >= len(self.u):
            return float("nan")
        return float(np.interp(u_m, self.u[i - 1 : i + 1], self.t[i - 1 : i + 1]))

    def _quiet(self) -> dict[tuple[int, int], tuple[float, float]]:
        """(lap, corner) -> from the real brake (or turn-in) to the exit, where full throttle can be held [s]."""
        out = {}
        pressed = np.flatnonzero((self.brake[1:] > BRAKE_ON) & ~(self.brake[:-1] > BRAKE_ON)) + 1
        for lap in range(int(self.u[-1] // self.length) + 1):
            before = -1e9
            for i, zone in enumerate(self.zones):
                z = zone.shifted(lap * self.length)
                begin, end = self.when(z.turn_in_m), self.when(z.exit_m)
                if begin == begin and end == end:
                    inside = [float(self.t[k]) for k in pressed
                              if max(z.quiet_m - 200.0, before) < self.u[k] < z.apex_m]  # fmt: skip
                    out[lap, i] = (min([begin, *inside]), end)
                before = z.end_m
        return out

    def judge(self, tally: Tally, show: int) -> None:
        """Count everything."""
        run, laps = self.run, Counter[int]()
        names = {c.name: i for i, c in enumerate(self.place.corners)}
        last = int(self.u[-1] // self.length)
        for number, d in enumerate(run.decisions):
            if d.outcome == "held":
                tally.reasons[d.reason] += 1
                continue
            tally.spoken += 1
            tally.rules[d.rule] += 1
            safety = d.safety
            if not safety and d.family != "call":
                laps[d.lap] += 1
            i = names.get(d.corner, -1)
            ends = d.ends_t_s
            margin = MARGIN_NEW_S if number in run.new else MARGIN_REHEARSED_S
            late = ""
            if d.family in ("reminder", "correction") or (d.family == "caution" and not safety):
                real = self.quiet.get((d.lap, i), (float("nan"),) * 2)[0]
                if real == real:
                    tally.slack.append(real - ends - margin)
                    if ends > real - margin + 1e-9:
                        tally.late_brake += 1
                        late = f"brake {real - ends:.2f}"
            # of a call only the quiet counts
            foretold = self.when(self._action(d, i)) if d.family != "call" else float("nan")
            if foretold == foretold and ends > foretold - margin + 1e-9:
                tally.late_action += 1
                late += f" action {foretold - ends:.2f}"
            if not safety:
                begins = d.t_s + 0.06
                if any(begins < b and ends > a for a, b in self.quiet.values()):
                    tally.in_quiet += 1
                    late += " quiet"
            if late and show:
                print("   LATE", late, f"margin {margin}", d)
        for lap in range(1, last):
            tally.laps += 1
            tally.per_lap.append(laps[lap])
            tally.by_lap.setdefault(lap, []).append(laps[lap])
            if lap >= SETTLED_LAP:
                tally.settled.append(laps[lap])
        self._rightness(tally, last)

    def _action(self, d: Decision, corner: int) -> float:
        """The place of a cue's action [m driven], by what it is about, taken from the profile anew."""
        zone = self.zones[corner].shifted(d.lap * self.length)
        if d.family == "confirmation":
            return float("nan")
        if d.family == "caution":
            at = [c.at_m for c in zone.corner.cautions if c.kind == d.fault]
            return min(at) + d.lap * self.length
        if d.fault in ("throttle_late", "throttle_soft", "exit_narrow", "exit_wide", "coasting", "kerb_exit"):
            return zone.apex_m
        if d.fault in ("apex", "kerb_apex", "kerb_entry", "apex_missed", "turn_in_early", "turn_in_late"):
            return zone.turn_in_m
        return zone.quiet_m

    def _rightness(self, tally: Tally, last: int) -> None:
        """Each pass from lap 2 on: was a correction said before it, and was its fault really driven lately?"""
        names = {c.name: i for i, c in enumerate(self.place.corners)}
        said: dict[tuple[int, int], list[str]] = {}
        for d in self.run.decisions:
            if d.outcome == "spoken" and d.family == "correction":
                said.setdefault((d.lap, names[d.corner]), []).append(d.fault)
        for lap in range(2, last):
            for i in range(len(self.zones)):
                if i not in self.place.match:
                    continue
                there = self.place.match[i]
                lately = {f for ll, c, f in self.run.truth if c == there and lap - 3 <= ll < lap}
                cues = said.get((lap, i), [])
                kind = "fault" if lately else "clean"
                if not cues:
                    tally.passes[f"{kind}: none"] += 1
                elif set(cues) <= lately:
                    tally.passes[f"{kind}: right"] += 1
                else:
                    tally.passes[f"{kind}: wrong"] += 1
        first = {(c, f) for ll, c, f in self.run.truth if ll <= 3}
        tally.faults_begin += len(first)
        tally.faults_end += len({(c, f) for ll, c, f in self.run.truth if ll >= last - 3} & first)


def line(name: str, t: Tally) -> str:
    """One row of the table."""
    ok = 1.0 - t.late_action / max(t.spoken, 1)
    brake = 1.0 - t.late_brake / max(len(t.slack), 1)
    total = max(sum(t.passes.values()), 1)
    faulty = max(sum(v for k, v in t.passes.items() if k.startswith("fault")), 1)
    wrong = t.passes["fault: wrong"] + t.passes["clean: wrong"]
    right = t.passes["fault: right"]
    settled = t.settled or [0]
    return (
        f"{name:34s} laps {t.laps:4d} cues {t.spoken:5d} | before action {ok:7.2%} before real brake {brake:7.2%} "
        f"in quiet {t.in_quiet:3d} | a lap median {np.median(t.per_lap):.0f} max {max(t.per_lap)} "
        f"settled {np.median(settled):.0f} max {max(settled)} | faulty passes cued right {right / faulty:.1%}, "
        f"wrong cue {wrong / total:.2%} of all | faults left {t.faults_end}/{t.faults_begin}"
    )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--laps", type=int, default=14)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--circuits", nargs="*", default=["demo", "7"])
    parser.add_argument("--rules", nargs="*", default=["first_laps", "improving", "race"])
    parser.add_argument("--skills", nargs="*", default=[s.name for s in SKILLS])
    parser.add_argument("--ears", nargs="*", default=["answers", "deaf"])
    parser.add_argument("--noise", action="store_true", help="0.3 m, 0.1 m/s, 5 %% loss")
    parser.add_argument("--show", type=int, default=0)
    args = parser.parse_args()
    noise = Noise(position_m=0.3, speed_mps=0.1, loss=0.05) if args.noise else None
    groups: dict[str, Tally] = {}
    skills = [s for s in SKILLS if s.name in args.skills]
    for circuit, rules, skill, ear in product(args.circuits, args.rules, skills, args.ears):
        place = ground(circuit)
        run = drive(place, rules, skill, ear == "answers", args.laps, args.seed, noise)
        tally = Tally()
        Judge(place, run).judge(tally, args.show)
        print(line(f"{circuit} {rules} {skill.name} {ear}", tally), flush=True)
        if args.show:
            print("     rules", dict(tally.rules), "\n     held", dict(tally.reasons))
            print("     by lap", {k: v[0] for k, v in tally.by_lap.items()}, dict(tally.passes))
        for name in ("all", rules, skill.name):
            groups.setdefault(name, Tally()).add(tally)
    print()
    for name, tally in groups.items():
        print(line(name, tally))
        print(
            f"{'':34s} passes {dict(tally.passes)}  slack to the real brake, least {min(tally.slack, default=0):.2f} s"
        )
    print("held back:", dict(groups["all"].reasons.most_common()))


if __name__ == "__main__":
    main()
