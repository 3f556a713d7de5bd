"""What a driver hears who has no fault to cure, and what one with a habit must hear: an instructor's rows.

python tests/tools/scenario_bench.py                          every row on the demo and three generated circuits
python tests/tools/scenario_bench.py --quick                  two circuits, as the tests run it
python tests/tools/scenario_bench.py --rows wet spin --show   what was said in these
python tests/tools/scenario_bench.py --write tests/figures/scenario_bench.json
python tests/tools/scenario_bench.py --expected               the list of expected failures as of now, to put into
                                                              scenario_waits.py
``--sealed`` adds two circuits that nobody looks at while the work goes on: once, at the end.

Only what is spoken counts. A row fails when more corrections are heard than it allows, or a forbidden one, or any
praise (nobody here mends a habit), or when what must be said is not said in time. Rows that are known to fail stand in
scenario_waits.py with what they wait for; one that passes all the same is an error, so that none is forgotten there.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections import Counter
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from figures import write_figures
from scenario_ground import OPEN, QUICK, SEALED_TWO, ground
from scenario_rows import LAPS, SCENARIOS, Scenario, accepted
from scenario_sessions import Session
from scenario_waits import WAITS

from coach.core.cue.rules import RuleSet
from coach.core.pipeline import Pipeline
from coach.core.values import Corner, Decision
from coach.outputs.voice.bank import estimate_s
from coach.profile.rule_files import load_rules, phrases

RULES = "improving"
LOOKS = 128
"""Frames between two looks at the view."""


@dataclass
class Outcome:
    """One scenario on one circuit."""

    scenario: Scenario
    circuit: str
    corrections: list[Decision] = field(default_factory=list)
    praises: list[Decision] = field(default_factory=list)
    shown: list[str] = field(default_factory=list)
    told_lap: int | None = None
    wrong: list[str] = field(default_factory=list)

    @property
    def passed(self) -> bool:
        """Whether the row holds."""
        return not self.wrong

    @property
    def expected(self) -> bool:
        """Whether it is known to fail."""
        return self.circuit in WAITS.get(self.scenario.name, ("", ()))[1]

    @property
    def verdict(self) -> str:
        """One word or two for the table."""
        if self.circuit in SEALED_TWO:
            return "pass" if self.passed else "FAIL"
        if self.expected:
            return "UNEXPECTED PASS" if self.passed else "expected failure"
        return "pass" if self.passed else "FAIL"

    def row(self) -> dict[str, object]:
        """For the figures file."""
        return {
            "heard": len(self.corrections), "allowed": self.scenario.allowed * self.scenario.corners,
            "praises": len(self.praises),
            "faults": dict(sorted(Counter(d.fault for d in self.corrections).items())),
            "told_lap": self.told_lap, "wrong": self.wrong, "verdict": self.verdict,
        }  # fmt: skip


@cache
def rules_of() -> RuleSet:
    """The rules that a driver who improves has."""
    return load_rules(RULES)


@cache
def durations_of(corners: tuple[Corner, ...]) -> dict[str, float]:
    """How long each text takes to say [s]."""
    return {text: estimate_s(text, 160) for text in phrases(rules_of(), corners)}


def hear(session: Session) -> tuple[list[Decision], list[str]]:
    """What is spoken in a session, and the other texts that are shown."""
    pipeline = Pipeline(session.reference, session.corners, rules_of(), durations_of(session.corners))
    columns = session.columns()
    spoken: list[Decision] = []
    shown: dict[str, None] = {}
    for i in range(0, len(columns), LOOKS):
        happened = pipeline.push_columns(columns.part(i, i + LOOKS))
        spoken += [d for d in happened.decisions if d.outcome == "spoken"]
        shown.setdefault(pipeline.view().condition)
    spoken += [d for d in pipeline.finish().decisions if d.outcome == "spoken"]
    return spoken, [text for text in shown if text]


def judge(scenario: Scenario, circuit: str, seed: int) -> Outcome:
    """Drive the scenario on a circuit, at each of its corners, and hold what is heard against the row."""
    out = Outcome(scenario, circuit)
    for turn in range(scenario.corners):
        one = _judge(scenario, circuit, seed + turn)
        out.corrections += one.corrections
        out.praises += one.praises
        out.shown += one.shown
        out.told_lap = one.told_lap
        out.wrong += [text if scenario.corners == 1 else f"({turn + 1}) {text}" for text in one.wrong]
    return out


def _judge(scenario: Scenario, circuit: str, seed: int) -> Outcome:
    session = scenario.session(ground(circuit), seed)
    spoken, shown = hear(session)
    out = Outcome(scenario, circuit, shown=shown)
    out.corrections = [d for d in spoken if d.family == "correction"]
    out.praises = [d for d in spoken if d.family == "confirmation"]
    if len(out.corrections) > scenario.allowed:
        out.wrong.append(f"{len(out.corrections)} heard, {scenario.allowed} allowed")
    forbidden = Counter(d.fault for d in out.corrections if d.fault in scenario.forbidden)
    if forbidden and scenario.allowed:
        out.wrong.append("forbidden: " + ", ".join(f"{n} x {fault}" for fault, n in forbidden.most_common()))
    if out.praises:
        out.wrong.append(f"{len(out.praises)} praises")
    if scenario.within is not None:
        _must(out, session, scenario.within, scenario.any_of)
    texts = [d.text for d in spoken if d.family not in ("correction", "caution", "reminder")] + shown
    if scenario.tell and not any(re.search(scenario.tell, text, re.IGNORECASE) for text in texts):
        out.wrong.append(f"nothing said or shown of /{scenario.tell}/")
    return out


def _must(out: Outcome, session: Session, within: int, any_of: frozenset[str]) -> None:
    """The habit is told within so many laps, and nothing else; or one of several faults, wherever it is."""
    told = [d for d in out.corrections if d.corner in session.at and d.fault in accepted(session.fault)]
    told = [d for d in out.corrections if d.fault in any_of] if any_of else told
    if told:
        starts = session.drive.lap_start
        out.told_lap = max(lap for lap in sorted(starts) if starts[lap] <= told[0].t_s or lap == min(starts))
    if out.told_lap is None:
        out.wrong.append("never said")
    elif out.told_lap > within:
        out.wrong.append(f"first said in lap {out.told_lap}, {within} allowed")
    if any_of:
        return
    others = Counter(f"{d.fault} at {d.corner}" for d in out.corrections if d not in told)
    if others:
        out.wrong.append("also said: " + ", ".join(f"{n} x {what}" for what, n in others.most_common(4)))


def table(outcomes: list[Outcome]) -> str:
    """A row for each scenario and circuit, and the sum."""
    lines = [f"{'scenario':30s} {'circuit':7s} {'heard':>5s} {'most':>4s} {'praise':>6s} verdict"]
    for out in outcomes:
        most = (
            "-"
            if out.scenario.within is not None and not out.scenario.any_of
            else str(out.scenario.allowed * out.scenario.corners)
        )
        why = ": " + "; ".join(out.wrong) if out.wrong else ""
        lines.append(f"{out.scenario.name:30s} {out.circuit:7s} {len(out.corrections):5d} {most:>4s}"
                     f" {len(out.praises):6d} {out.verdict}{why}")  # fmt: skip
    counts = Counter(out.verdict for out in outcomes)
    lines.append(f"{len(outcomes)} rows: " + ", ".join(f"{n} {what}" for what, n in counts.most_common()))
    waiting = {name: why for name, (why, circuits) in WAITS.items() if any(o.circuit in circuits for o in outcomes)}
    lines += [f"  {name} waits for {why}" for name, why in waiting.items()
              if any(o.scenario.name == name for o in outcomes)]  # fmt: skip
    return "\n".join(lines)


def expected(outcomes: list[Outcome]) -> str:
    """WAITS as it would have to be."""
    lines = []
    for name in dict.fromkeys(out.scenario.name for out in outcomes):
        failing = tuple(o.circuit for o in outcomes if o.scenario.name == name and not o.passed)
        if failing:
            why = WAITS.get(name, ("", ()))[0]
            circuits = "".join(f"{json.dumps(circuit)}, " for circuit in failing).removesuffix(
                " " if len(failing) == 1 else ", "
            )
            lines.append(f"    {json.dumps(name)}: ({json.dumps(why)}, ({circuits})),")
    return "\n".join(lines)


def main(argv: list[str] | None = None) -> int:
    """Command line; 1 when a row fails that should not, or passes that should not."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", nargs="*", default=[], help="names, or the beginnings of names")
    parser.add_argument("--circuits", nargs="*", default=[])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--sealed", action="store_true", help="the two sealed circuits too; once, at the end")
    parser.add_argument("--show", action="store_true", help="what was said")
    parser.add_argument("--expected", action="store_true")
    parser.add_argument("--write", metavar="FILE")
    args = parser.parse_args(argv)
    unknown = [row for row in args.rows if not any(s.name.startswith(row) for s in SCENARIOS)]
    if unknown:
        names = ", ".join(f"'{s.name}'" for s in SCENARIOS)
        parser.error(f"--rows: found '{unknown[0]}', allowed are {names}, or the beginnings of these")
    circuits = args.circuits or (QUICK if args.quick else (*OPEN, *SEALED_TWO) if args.sealed else OPEN)
    rows = [s for s in SCENARIOS if not args.rows or any(s.name.startswith(row) for row in args.rows)]
    outcomes = []
    for scenario in rows:
        for circuit in circuits:
            outcomes.append(judge(scenario, circuit, args.seed))
            if args.show:
                print(f"{scenario.name}, {circuit}: {outcomes[-1].verdict} {'; '.join(outcomes[-1].wrong)}", flush=True)
                for d in outcomes[-1].corrections + outcomes[-1].praises:
                    print(f"    lap {d.lap:2d} {d.corner:12s} {d.fault:14s} {d.text}")
                print("    shown:", outcomes[-1].shown)
    print(expected(outcomes) if args.expected else table(outcomes))
    if args.write:
        rows_of = {s.name: {o.circuit: o.row() for o in outcomes if o.scenario is s} for s in rows}
        counts = Counter(o.verdict for o in outcomes)
        write_figures(args.write, {"laps": LAPS, "seed": args.seed, "verdicts": dict(counts), "rows": rows_of})
    return int(any(o.verdict in ("FAIL", "UNEXPECTED PASS") for o in outcomes if o.circuit not in SEALED_TWO))


if __name__ == "__main__":
    sys.exit(main())
