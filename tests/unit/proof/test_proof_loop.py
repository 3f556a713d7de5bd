"""The closed loop, the soak and the benchmarks run in their short form, and their peers agree with the product."""

from __future__ import annotations

import json
from pathlib import Path

import closed_loop
import closed_loop_coaches
import closed_loop_table
import core_peers
import numpy as np
import pytest
import soak

from coach.core.locate.locator import Locator


def test_closed_loop_prints_its_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One driver in each condition: a row each, a comparison, a picture, and a run that goes on where it stopped."""
    kept, picture = tmp_path / "runs.jsonl", tmp_path / "loop.png"
    args = ["--circuits", "demo", "--seeds", "1", "--laps", "2", "--jobs", "1"]
    args += ["--keep", str(kept), "--picture", str(picture), "--write", str(tmp_path / "figures.json")]
    closed_loop.main(args)
    first = capsys.readouterr().out
    rows = [json.loads(line) for line in kept.read_text().splitlines()]
    assert list(closed_loop_table.CONDITIONS) == [row["condition"] for row in rows]
    assert all(len(row["times"]) == 2 + closed_loop.SILENT for row in rows)
    for condition in closed_loop_table.CONDITIONS:
        assert f"demo           {condition} " in first
    assert "product against alone" in first
    figures = json.loads((tmp_path / "figures.json").read_text())
    assert {*closed_loop_table.CONDITIONS} == set(figures["all"])
    assert 0.0 <= figures["all"]["product"]["wrong_share"] <= 1.0
    assert 5_000 < picture.stat().st_size < 150_000
    closed_loop.main(args)
    assert first == capsys.readouterr().out
    assert len(closed_loop_table.CONDITIONS) == len(kept.read_text().splitlines())


def test_a_study_goes_on_where_it_was_stopped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Stopped by hand it shows what is there; a line that was cut off and runs of another code are driven again."""
    kept = tmp_path / "runs.jsonl"
    driven: list[str] = []

    def lesson(circuit: str, seed: int, condition: str, *_: object) -> closed_loop_table.Lesson:
        driven.append(condition)
        if driven == ["alone", "product"]:
            raise KeyboardInterrupt
        return closed_loop_table.Lesson(circuit, seed, condition, 90.0, 2, [92.0] * 7)

    monkeypatch.setattr(closed_loop, "lesson", lesson)
    args = ["--circuits", "demo", "--seeds", "1", "--laps", "2", "--jobs", "1", "--keep", str(kept)]
    args += ["--conditions", "alone", "product", "everything"]
    args += ["--picture", str(tmp_path / "loop.png")]
    closed_loop.main(args)
    out = capsys.readouterr().out
    assert "stopped" in out
    assert "demo           alone" in out
    other = {**json.loads(kept.read_text()), "condition": "product", "code": "another"}
    with kept.open("a") as file:
        file.write(json.dumps(other) + "\n" + json.dumps(other)[:50] + "\n")
    closed_loop.main(args)
    assert ["alone", "product", "product", "everything"] == driven
    assert "demo           everything" in capsys.readouterr().out


def test_the_metres_that_a_cue_names_are_heard() -> None:
    """ "five metres" is five metres to the learner; a cue that names none asks for all of it."""
    assert 5.0 == closed_loop_coaches.metres_in("Tollgate, you can brake five metres later")
    assert 25.0 == closed_loop_coaches.metres_in("brake twenty-five metres earlier")
    assert 5.0 == closed_loop_coaches.metres_in("Quarry, brake five of fifteen metres later")
    assert np.isnan(closed_loop_coaches.metres_in("brake later"))


def test_half_the_gap_is_counted_from_where_it_lasts() -> None:
    """The gap is halved with the first lap of three whose median is at most half of the first two laps' gap."""
    times = [92.0, 92.0, 91.9, 90.8, 91.8, 90.9, 90.9, 90.8, 91.0, 91.0]
    one = closed_loop_table.Lesson("demo", 1, "product", 90.0, 8, times)
    assert (2.0, 4) == (one.first, one.halved)
    assert one.final == pytest.approx(0.9)
    never = closed_loop_table.Lesson("demo", 1, "product", 90.0, 8, [92.0] * 10)
    assert (9, float("inf")) == (never.halved, never.halved_min)


def test_bootstrap_interval_holds_the_median() -> None:
    """The 95 % interval of the median of 200 normal draws is about +-1.96 * 1.2533 / sqrt(200) wide (Kenney 1962)."""
    values = np.random.default_rng(5).standard_normal(200)
    low, high = closed_loop_table.interval(values)
    assert low <= float(np.median(values)) <= high
    assert 2 * 1.96 * 1.2533 / np.sqrt(200) == pytest.approx(high - low, rel=0.5)


def test_soak_in_short(tmp_path: Path) -> None:
    """Two minutes of driving accelerated through the engine: every frame is in the record."""
    outcome = soak.accelerated(0.034, tmp_path)
    assert [] == outcome.wrong
    assert "missed 0" in outcome.line


def test_the_obvious_assembly_finds_the_same_places_but_slower() -> None:
    """The peer does the same job: its places are the locator's, within 0.3 m; in replay the core is 5 times faster."""
    session = core_peers.demo(1)
    part = session.columns.part(600, 2600)
    peer = core_peers.Obvious(session.reference, session.corners)
    rows = zip(*(part[name].tolist() for name in ("t_s", "x_m", "y_m", "brake")), strict=True)
    theirs = np.array([peer.frame(*row)[0] for row in rows])
    run = [fixes for fixes, _ in Locator(session.reference).locate(part)]
    ours = np.concatenate([fixes.u_m for fixes in run]) % session.reference.length_m
    rows_of = np.concatenate([np.atleast_1d(fixes.row) for fixes in run])
    gap = np.abs(ours - theirs[-len(ours) :])
    assert len(rows_of) > 1900
    assert np.minimum(gap, session.reference.length_m - gap).max() < 0.3
    few = core_peers.Session(session.reference, session.corners, part)
    obvious, core = core_peers.cpu_in_turn(
        [lambda: core_peers.obvious(few), lambda: core_peers.push_each(few.pipeline(), part, 1024)]
    )
    assert obvious > 5.0 * core
