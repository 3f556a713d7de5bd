"""The study's plan is balanced, and its evaluation finds what is there and nothing that is not."""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from study import ARMS, COLUMNS, PARTS, evaluate, retained, rows, smallest_found

from coach.core.values import LapDone
from coach.errors import DataError
from coach.session.header import Header
from coach.session.writer import SessionWriter


def test_the_plan_is_balanced() -> None:
    """Twelve drivers: each drives both arms, each on another circuit; orders and pairings come three times each, and
    retention is the day after, without a coach."""
    plan = rows(12, ["improving", "ask"], ["first", "second"])
    assert 12 * 2 * len(PARTS) == len(plan)
    groups = Counter(
        tuple((r["arm"], r["circuit"]) for r in plan if r["driver"] == d and r["part"] == "practice")
        for d in {r["driver"] for r in plan}
    )
    assert {3} == set(groups.values())
    assert 4 == len(groups)
    for row in plan:
        assert (ARMS[row["arm"]] if row["part"] == "practice" else "--quiet") in row["command"]
        same = next(
            r for r in plan if r["driver"] == row["driver"] and r["arm"] == row["arm"] and r["part"] == "practice"
        )
        assert int(row["day"]) - int(same["day"]) == (row["part"] == "retention")
    assert len(plan) == len({r["session"] for r in plan})


def study(folder: Path, extra: float, seed: int = 5) -> Path:
    """Recorded sessions of a study in which "ask" gains ``extra`` of the lap's time more."""
    rng = np.random.default_rng(seed)
    plan = rows(12, ["improving", "ask"], ["first", "second"])
    for row in plan:
        if row["part"] == "practice":
            continue
        base = 90.0 if row["circuit"] == "first" else 110.0
        gain = 0.02 + (extra if row["arm"] == "ask" else 0.0) + rng.normal(0.0, 0.003)
        lap = base * (1.0 - gain) if row["part"] == "retention" else base
        writer = SessionWriter(folder / row["session"], Header(session="x", started_at="", feed="test"))
        for n in range(5):
            writer.lap(LapDone(n, 100.0 * n, lap + rng.normal(0.0, 0.1), 0.0, True))
        writer.lap(LapDone(9, 900.0, 3 * lap, 0.0, False, "pit"))
        writer.close()
    with (folder / "plan.csv").open("w", encoding="utf-8", newline="") as file:
        writer_ = csv.DictWriter(file, COLUMNS)
        writer_.writeheader()
        writer_.writerows(plan)
    return folder / "plan.csv"


def test_a_difference_that_is_there_is_found(tmp_path: Path) -> None:
    """One per cent of the lap more with one arm: found with its sign and size; order plays no part."""
    found = evaluate(retained(study(tmp_path, 0.01)))
    assert ("ask", "improving") == found.arms
    assert 0.01 == pytest.approx(found.mean, abs=0.003)
    assert found.low < 0.01 < found.high
    assert found.p_t < 0.01
    assert found.p_rank < 0.01


def test_no_difference_is_no_difference(tmp_path: Path) -> None:
    """Equal arms: zero lies in the interval."""
    found = evaluate(retained(study(tmp_path, 0.0)))
    assert found.low < 0.0 < found.high
    assert found.p_t > 0.05


def test_how_small_a_difference_twelve_drivers_show() -> None:
    """Twelve pairs, two-sided 5 %, power 80 %: 0.89 deviations (Cohen 1988, Power Analysis, from memory)."""
    assert 0.89 == pytest.approx(smallest_found(12), abs=0.01)


def test_a_part_that_is_missing_or_empty_is_an_error(tmp_path: Path) -> None:
    """It names the plan or the session and what is expected."""
    plan = study(tmp_path, 0.0)
    text = plan.read_text(encoding="utf-8")
    kept = [x for x in text.splitlines() if not ("driver03" in x and "retention" in x)]
    plan.write_text("\n".join(kept), encoding="utf-8")
    with pytest.raises(DataError, match=r"driver03, .*no retention"):
        retained(plan)
    plan.write_text(text.replace("before", "warmup"), encoding="utf-8")
    with pytest.raises(DataError, match=r"plan.csv:2: expected columns .*found"):
        retained(plan)
    plan.write_text(text, encoding="utf-8")
    (tmp_path / "driver01_ask_retention" / "events.jsonl").write_text("", encoding="utf-8")
    with pytest.raises(DataError, match="expected at least 3 valid laps, found 0"):
        retained(plan)
