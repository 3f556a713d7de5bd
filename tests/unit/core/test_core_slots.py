"""A corner whose approach has no room is not mute: it is spoken to by name elsewhere."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))

from simulated import columns_of

from coach.core.cue.topics import opposes
from coach.core.pipeline import Pipeline
from coach.outputs.voice.bank import estimate_s
from coach.profile.rule_files import load_rules, phrases
from coach.profile.store import load_plan
from feeds.practice import FaultPlan, Scatter, faultless, hollow_ridge, simulate


def test_a_corner_without_room_is_told_by_name_on_another_straight() -> None:
    """Braking 25 m early leaves no room before Beacon; it is told all the same, with its name and the size."""
    plan, rules = load_plan("hollow_ridge"), load_rules("improving")
    texts = phrases(rules, plan.corners)
    run = simulate(
        faultless(hollow_ridge()), 5, rate_hz=20.0, seed=4, scatter=Scatter(1.0, 0.1, 0.1),
        faults=FaultPlan.of(("Beacon", "brake_early", 25.0)),
    )  # fmt: skip
    pipeline = Pipeline(plan.reference, plan.corners, rules, {text: estimate_s(text, 160) for text in texts})
    decisions = pipeline.push_columns(columns_of(run)).decisions
    told = [d for d in decisions if d.outcome == "spoken" and d.corner == "Beacon" and d.family == "correction"]
    assert told
    assert ("other straight", "Beacon, brake five of twenty-five metres later") == (told[0].slot, told[0].text)
    assert {d.text for d in decisions if d.outcome == "spoken"} <= set(texts)


def test_what_pulls_to_the_other_side_is_known() -> None:
    """An early braker hears no "brake earlier" of the profile; a word on the gear opposes nothing of it."""
    assert opposes("brake_early", "words", ("downhill, brake earlier",))
    assert opposes("exit_narrow", "track_limit", ("don't run wide",))
    assert not opposes("brake_early", "words", ("brake later",))
    assert not opposes("brake_early", "gear", ("second gear",))
