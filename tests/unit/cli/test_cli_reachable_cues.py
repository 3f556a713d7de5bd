"""A fault of every lap, so of the driver's best lap too: only the reachable lap shows it, in the rules' own words."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from simulated import columns_of

from coach.core.columns import Columns
from coach.session.header import Header
from coach.session.writer import SessionWriter
from feeds.practice import FaultPlan, Habit, Scatter, hollow_ridge, simulate

Coach = Callable[..., tuple[int, str, str]]
LAPS = 8


def _session(folder: Path, columns: Columns) -> Path:
    writer = SessionWriter(folder, Header(session="s", started_at="2026-01-01T00:00:00+00:00", feed="practice"))
    writer.frames(columns)
    writer.close()
    return folder


@pytest.mark.parametrize(
    ("fault", "amount"), [("brake_soft", 0.35), ("slow_middle", 4.0), ("throttle_late", 35.0), ("brake_early", 30.0)]
)
def test_the_existing_rules_say_what_the_best_lap_hides(
    coach: Coach, tmp_path: Path, fault: str, amount: float
) -> None:
    """Braking below what the car has shown, speed left mid-corner, a late throttle, an early brake: a cue about it."""
    plan = FaultPlan((Habit("Quarry", fault, amount),))
    session = _session(tmp_path / "s", columns_of(simulate(hollow_ridge(), LAPS, seed=8, faults=plan)))
    told = {}
    for target in ("best", "reachable"):
        profile, log = tmp_path / target, tmp_path / f"{target}.jsonl"
        assert 0 == coach("survey", session, "-o", profile, "--target", target)[0]
        assert 0 == coach("replay", session, "--profile", profile, "--rules", "improving", "--log", log)[0]
        rows = [json.loads(line) for line in log.read_text().splitlines()]
        told[target] = {r["corner"] for r in rows if r["outcome"] == "spoken" and r.get("fault") == fault}
    assert told["reachable"] - told["best"]


@pytest.mark.parametrize(
    ("corner", "fault", "amount"),
    [
        ("Quarry", "brake_soft", 0.35),
        ("Quarry", "slow_middle", 4.0),
        ("Quarry", "brake_early", 30.0),
        ("Tollgate", "brake_soft", 0.3),
    ],
)
def test_the_headroom_names_the_habit(coach: Coach, tmp_path: Path, corner: str, fault: str, amount: float) -> None:
    """The corner with the habit leaves the most, and the advice there is about the habit."""
    plan = FaultPlan((Habit(corner, fault, amount),))
    run = simulate(hollow_ridge(), LAPS, seed=8, faults=plan, scatter=Scatter())
    session, profile = _session(tmp_path / "s", columns_of(run)), tmp_path / "p"
    assert 0 == coach("survey", session, "-o", profile, "--target", "reachable")[0]
    code, out, _ = coach("debrief", session, "--profile", profile, "--no-keep", "--json")
    assert 0 == code
    assert fault == json.loads(out)["headroom"][0]["fault"]
