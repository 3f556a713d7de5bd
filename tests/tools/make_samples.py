"""Makes the recorded sessions in replay_samples/: python tests/tools/make_samples.py [NAME ...]

Each is a small session of the practice simulator, driven with the coach in the driver's ear by the very loop of a
live run, with its profile, its rules, its decisions, which are the golden log too, and what is expected of it
(expect.yaml). The rules are the shipped ones, sped up so that a few laps show every rule spoken and held back.
"""

from __future__ import annotations

import re
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from coach.app.replay.check import EXPECT_FILE, check_session
from coach.core.columns import Columns
from coach.core.pipeline import Events, Pipeline
from coach.outputs.voice.bank import estimate_s
from coach.profile.rule_files import load_rules, phrases, rule_paths
from coach.profile.store import load_plan, profile_paths
from coach.session.header import DECISIONS_FILE, PROFILE_FILE, RULES_FILE, Header
from coach.session.writer import SessionWriter
from feeds.errors import FeedEnded
from feeds.practice import FaultPlan, Habit, Noise, Scatter, faultless, hollow_ridge
from feeds.practice.feed import PracticeFeed

SAMPLES = Path(__file__).parents[2] / "replay_samples"
RATE_HZ = 20.0
SET = {"cues_per_lap": 24, "corners_in_work": 10, "cure_passes": 1, "retire_passes": 1, "rearm_passes": 1}
LUCK = "luck: 1.0\n"
"""Schedule of a sample that has to show in four laps what takes a driver a season."""


CALM = Scatter(0.5, 0.05, 0.05)


@dataclass(frozen=True)
class Sample:
    """One session to make: driver, laps, rules, and expectations."""

    name: str
    rules: str
    faults: FaultPlan
    expect: str
    laps: int = 4
    sped_up: bool = True
    noise: Noise | None = None
    scatter: Scatter = CALM
    profile: Callable[[str], str] = lambda text: text


def early(*faults: tuple[str, str, float]) -> FaultPlan:
    """Faults of the first two laps: named in the second, gone in the third."""
    return FaultPlan(tuple(Habit(corner, fault, amount, laps=(1, 2)) for corner, fault, amount in faults))


def more_notes(text: str) -> str:
    """The profile with one caution of every kind at Tollgate, and nothing but kerbs to say at Signal."""
    weir = text.index("- name: Weir")
    # nothing but its apex to say at Weir: elsewhere there is always something before it
    text = text[:weir] + re.sub(r"(?m)^    (?:kerbs|gear|words):.*\n(?:      - .*\n)*", "", text[weir:], count=3)
    head, tollgate, signal = re.split(r"(?m)^(?=  - name: (?:Tollgate|Signal)$)", text)
    place = float(re.search(r"turn_in_m: ([\d.]+)", tollgate)[1])  # type: ignore[index]
    kinds = (("bump", "bump on entry"), ("surface", "slippery"), ("kerb", "high kerb"), ("track_limit", "white line"),
             ("crest", "crest, car light"))  # fmt: skip
    lines = "".join(
        f'      - {{kind: {kind}, at_m: {place - 4.0 + i:.1f}, words: "{words}"}}\n'
        for i, (kind, words) in enumerate(kinds)
    )
    tollgate = re.sub(r"(?m)^    cautions:\n(?:      - .*\n)*", "", tollgate)
    tollgate = re.sub(r"(?m)^(    kerbs:.*\n)", r"\1    cautions:\n" + lines, tollgate)
    signal = _only_kerbs(signal, "{entry: avoid, exit: use}")
    apex = float(re.search(r"- name: Cauldron[^#]*?apex_m: ([\d.]+)", text)[1])  # type: ignore[index]
    blind = f'    cautions:\n      - {{kind: other, at_m: {apex:.1f}, words: "blind exit"}}\n'
    at = head.index("- name: Cauldron")
    head, cauldron = head[:at], head[at:]
    at = head.index("- name: Kestrel")
    kestrel, rest = re.split(r"(?m)^(?=  - name: Sluice In$)", head[at:])
    kestrel = re.sub(r"(?m)^    (?:kerbs|gear|apex|cautions):.*\n(?:      - .*\n)*", "", kestrel)
    return head[:at] + kestrel + rest + _only_kerbs(cauldron, "{apex: use}") + blind + tollgate + signal


def _only_kerbs(corner: str, kerbs: str) -> str:
    """A corner with nothing else to say."""
    bare = re.sub(r"(?m)^    (?:boards|gear|apex|words|cautions|limits):.*\n(?:      - .*\n)*", "", corner)
    return re.sub(r"(?m)^    kerbs:.*$", f"    kerbs: {kerbs}", bare)


def quiet_kestrel(text: str) -> str:
    """The profile without the caution at Kestrel, which takes all the room there is before it."""
    at = text.index("- name: Kestrel")
    return text[:at] + re.sub(r"(?m)^    cautions:\n(?:      - .*\n)*", "", text[at:], count=1)


def no_praise(text: str) -> str:
    """The profile with every confirmation muted at the corners from Kestrel on."""
    names = [r.name for r in load_rules("improving").rules if r.family == "confirmation"]
    mute = f"    mute: [{', '.join(names)}]\n"
    text = quiet_kestrel(text)
    at = text.index("- name: Kestrel")
    return text[:at] + re.sub(r"(?m)^(    kerbs:.*\n)", r"\1" + mute, text[at:])


SETS = (
    Sample(
        "evening_run", "improving",
        FaultPlan.of(("Quarry", "brake_early", 18.0), ("Signal", "throttle_soft", 0.45)),
        """\
  - {corner: Quarry, laps: 3, spoken: brake_early}
  - {corner: Quarry, laps: 1-2, silent: brake_early}
  - {corner: Quarry, laps: 1-2, found: brake_early, times: 2}
  - {corner: Tollgate, silent: brake_early}
  - {corner: Tollgate, not_found: brake_early}
  - {most_a_lap: 6}
""", sped_up=False, scatter=Scatter(1.0, 0.1, 0.1), noise=Noise(position_m=0.2, speed_mps=0.05, loss=0.02),
    ),
    Sample("first_laps", "first_laps", FaultPlan.of(("Quarry", "brake_early", 14.0)), """\
  - {corner: Quarry, laps: 1, spoken: brake after the hundred}
  - {silent: brake_early}
  - {corner: Tollgate, spoken: anything}
""", profile=more_notes, sped_up=False),
    Sample("race", "race", FaultPlan.of(("Quarry", "brake_early", 14.0)), """\
  - {corner: Tollgate, laps: 1, spoken: anything}
  - {corner: Quarry, silent: brake later}
  - {corner: Quarry, found: brake_early, times: 3}
""", profile=more_notes, sped_up=False),
    Sample("mended_braking", "improving", early(
        ("Quarry", "brake_early", 18.0), ("Signal", "exit_narrow", 3.5), ("Cauldron", "turn_in_late", 11.0),
        ("Tollgate", "coasting", 30.0)), """\
  - {corner: Quarry, laps: 2, spoken: brake five metres later}
  - {corner: Quarry, laps: 3, spoken: the brake point is right}
  - {corner: Quarry, laps: 4, silent: brake_early}
""", profile=quiet_kestrel),
    Sample("mended_exits", "improving", early(
        ("Quarry", "brake_soft", 0.3), ("Larch", "exit_wide", 1.6), ("Signal", "throttle_soft", 0.45),
        ("Tollgate", "brake_late", 12.0)), """\
  - {corner: Quarry, laps: 2, spoken: brake harder}
  - {corner: Larch, laps: 2, spoken: mid-track}
"""),
    Sample("mended_release", "improving", early(
        ("Quarry", "brake_long", 25.0), ("Cauldron", "apex_missed", 2.2), ("Tollgate", "slow_middle", 2.5)), """\
  - {corner: Quarry, laps: 2, spoken: ease off}
"""),
    Sample("mended_line", "improving", early(
        ("Quarry", "turn_in_early", 15.0), ("Signal", "throttle_late", 25.0)), """\
  - {corner: Quarry, laps: 2, spoken: turn in}
""", profile=more_notes),
    Sample("unpraised", "improving", early(
        ("Cauldron", "turn_in_late", 11.0), ("Tollgate", "coasting", 30.0), ("Signal", "slow_middle", 2.5)), """\
  - {corner: Cauldron, laps: 2, spoken: turn_in_late}
  - {silent: good}
""", profile=no_praise),
    Sample("unpraised_too", "improving", early(
        ("Kestrel", "throttle_soft", 0.45), ("Tollgate", "brake_late", 12.0), ("Signal", "apex_missed", 2.2)), """\
  - {corner: Tollgate, laps: 2, spoken: earlier}
  - {silent: good}
""", profile=no_praise),
    Sample("mended_gears", "improving", early(
        ("Tollgate", "gear_low", 1.0), ("Signal", "gear_low", 1.0)), """\
  - {most_a_lap: 6}
"""),
)  # fmt: skip


def rules_of(sample: Sample) -> str:
    """The shipped rules as the sample uses them."""
    text = rule_paths()[sample.rules].read_text(encoding="utf-8")
    if sample.sped_up:
        for name, value in SET.items():
            text = re.sub(rf"(?m)^{name}: \d+", f"{name}: {value}", text)
        text = text.replace("\nrules:\n", f"\n{LUCK}\nrules:\n", 1)
        text = re.sub(r"(?m)^    seen: \d+", "    seen: 1", text)
        text = re.sub(r"(?m)^    of_last: \d+", "    of_last: 1", text)
    return text


def make(sample: Sample) -> Path:
    """Drive, record, and write what is expected."""
    folder = SAMPLES / sample.name
    if folder.is_dir():
        shutil.rmtree(folder)
    shipped = profile_paths()["hollow_ridge"]
    folder.mkdir(parents=True)
    profile = folder / PROFILE_FILE
    profile.write_text(sample.profile((shipped / PROFILE_FILE).read_text(encoding="utf-8")), encoding="utf-8")
    shutil.copy(shipped / "reference.arrow", folder)
    rules = folder / RULES_FILE
    rules.write_text(rules_of(sample), encoding="utf-8")
    plan, chosen = load_plan(profile), load_rules(rules)
    durations = {text: round(estimate_s(text, 160), 3) for text in phrases(chosen, plan.corners)}
    header = Header(
        session=sample.name, started_at="2026-01-01T18:00:00+00:00", feed="practice", circuit=plan.circuit,
        driver="sample", rate_hz=RATE_HZ, voice_durations=durations,
    )  # fmt: skip
    writer = SessionWriter(folder, header)
    feed = PracticeFeed(
        faultless(hollow_ridge()), seed=4, rate_hz=RATE_HZ, laps=sample.laps, faults=sample.faults,
        scatter=sample.scatter, noise=sample.noise, learns=0.0 if sample.sped_up else 0.3,
    )  # fmt: skip
    pipeline = Pipeline(plan.reference, plan.corners, chosen, durations)
    try:
        while True:
            chunk = Columns.of(feed.read_many(16, 1.0))
            _keep(pipeline.push_columns(chunk), writer, feed)
            writer.frames(chunk)
    except FeedEnded:
        _keep(pipeline.finish(), writer, feed)
    writer.close({})
    head = "# What must hold of this session; made by tests/tools/make_samples.py.\nschema: 1\nexpect:\n"
    (folder / EXPECT_FILE).write_text(head + f"  - {{same_as: {DECISIONS_FILE}}}\n" + sample.expect, encoding="utf-8")
    return folder


def _keep(happened: Events, writer: SessionWriter, feed: PracticeFeed) -> None:
    for decision in happened.decisions:
        writer.decision(decision)
        if decision.outcome == "spoken" and decision.family == "correction":
            feed.hear(decision.corner, decision.fault)
    for lap in happened.laps:
        writer.lap(lap)


def main() -> None:
    """Make the samples named, or all."""
    wanted = sys.argv[1:] or [s.name for s in SETS]
    for sample in SETS:
        if sample.name in wanted:
            folder = make(sample)
            done = check_session(folder)
            size = sum(p.stat().st_size for p in folder.iterdir())
            print(f"{sample.name}: {size / 1e6:.2f} MB, {done.spoken} cues spoken", *done.failures, sep="\n  ")


if __name__ == "__main__":
    main()
