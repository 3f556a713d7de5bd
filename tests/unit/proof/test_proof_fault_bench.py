"""The fault bench works, writes what it counts, and can fail: a mute diagnosis and a talkative one get bad rows."""

from __future__ import annotations

import json
import sys
from functools import cache
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))

import circuit_sets
import fault_bench
import habit_bench
import msgspec
import numpy as np
from fault_bench import Job, asks, diagnose, job
from fault_score import Row, Score, records, rows_of, score_passes, span, write_rows
from fault_sessions import ALL, MAKERS, Ask, Truth, make

from coach.core.columns import Columns
from coach.core.measure.passes import PassRecord
from coach.core.values import Finding, Pass

CLEAN = ((False, 60.0),)
FAULTS = ("brake_early", "throttle_soft")
Passes = list[tuple[Pass, PassRecord]]


@cache
def session() -> tuple[Passes, list[Truth]]:
    """A small session of the plain car: its passes as the product diagnoses them, and the truth."""
    columns, truth = make("plain", Ask(1, FAULTS, 3, 1), CLEAN[0])
    return diagnose(columns, min(t.t_s for t in truth)), truth


def saying(*faults: str) -> Passes:
    """The passes of the session, each with these findings instead of its own."""
    found = tuple(Finding(fault, 1.0, "m", 0.1 + 0.01 * k) for k, fault in enumerate(faults))  # type: ignore[arg-type]
    return [(msgspec.structs.replace(p, findings=found), d) for p, d in session()[0]]


def rows(passes: Passes) -> dict[str, Row]:
    score = score_passes(passes, session()[1])
    return {r.fault: r for r in rows_of(score, "fault_bench", "plain", "tuning", *CLEAN[0])}


def test_the_product_is_scored() -> None:
    """Six faulty passes are counted or said to be small; most are found; few of the others are reported."""
    got = rows(session()[0])
    assert got["all"].n + got["all"].small == 6
    assert got["all"].n >= 3
    assert got["all"].few
    assert got["all"].recall is not None
    assert got["all"].recall > 0.5
    assert got["faultless"].n > 20


def test_a_mute_diagnosis_finds_nothing() -> None:
    """Recall 0 at every cost, no precision at all, no faultless pass reported."""
    got = rows(saying())
    assert 0.0 == got["all"].recall
    assert got["all"].precision is None
    assert got["all"].leading_precision is None
    assert 0 == got["faultless"].reported == got["next"].reported


def test_a_talkative_diagnosis_is_wrong() -> None:
    """A coach that reports everything finds everything: one report in fifteen is right, and every faultless pass is
    reported.
    """
    got = rows(saying(*ALL))
    assert 1.0 == got["all"].recall
    assert got["all"].precision == pytest.approx(1.0 / len(ALL), abs=1e-3)
    # the costliest of them is the last one, which nobody drove
    assert 0.0 == got["all"].leading_precision
    assert 0 < got["faultless"].n == got["faultless"].reported
    assert got["above_loss"].reported


def paid_in(places: tuple[int, ...], made_in: int, cost_s: float) -> tuple[dict[str, Row], Passes]:
    """Score a fault made in pass ``made_in``, found there alone, whose cost was paid in equal parts in ``places``."""
    passes = saying()
    spans = [span(d) for _, d in passes]
    at = np.array([t for i in places for t in spans[i]])
    late = np.repeat(np.arange(len(places) + 1), 2)[1:-1] * cost_s / len(places)
    truth = Truth(sum(spans[made_in]) / 2.0, "coasting", 20.0, cost_s, (at, late))
    said = [
        (msgspec.structs.replace(p, findings=(Finding("coasting", 20.0, "m", 0.1),) if i == made_in else ()), d)
        for i, (p, d) in enumerate(passes)
    ]
    score = score_passes(said, [truth])
    return {r.fault: r for r in rows_of(score, "fault_bench", "plain", "tuning", *CLEAN[0])}, passes


def test_a_fault_is_counted_where_it_was_made() -> None:
    """Half of it is paid in the pass after: that one is neither faultless nor the faulty one."""
    got, passes = paid_in((10, 11), 10, 0.8)
    assert 1.0 == got["coasting"].recall
    assert 2 == got["next"].n
    assert len(passes) - 3 == got["faultless"].n
    # paid in the pass before alone, it is that one's
    assert 0.0 == paid_in((9,), 10, 0.8)[0]["coasting"].recall


def test_a_fault_that_was_paid_for_in_no_pass_is_lost() -> None:
    """A cost that falls between the passes is no pass's fault, and is not recalled."""
    passes = saying()
    truth = Truth(0.0, "coasting", 20.0, 0.8, (np.array([-2.0, -1.0]), np.array([0.0, 0.8])))
    got = {r.fault: r for r in rows_of(score_passes(passes, [truth]), "b", "plain", "tuning", *CLEAN[0])}
    assert (1, 1) == (got["lost"].n, got["lost"].reported)
    assert 0 == got["all"].n


def test_faults_that_no_pass_covers_are_counted() -> None:
    """A coach that never knows where the car is loses all faults, and says so in a row."""
    got = rows([])
    assert (6, 6) == (got["lost"].n, got["lost"].reported)
    assert 0 == rows(session()[0])["lost"].reported


def test_transient_sessions_mix_the_faults(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Each fault is driven in one session, each car in turn; both settings come from one drive, and from the cache."""
    found = asks("transient", [1, 2], ALL, 10, 1, 1.0)
    assert [(1, 5), (2, 5)] == [(a.circuit, a.passes) for a in found]
    assert {0, 1} == {a.seed % 2 for a in found}
    calls = []

    def fake(ask: Ask, setting: tuple[bool, float]) -> tuple[Columns, list[Truth]]:
        calls.append(setting)
        columns = Columns.empty(2)
        columns["t_s"][:] = (0.0, 1.0)
        return columns, [Truth(0.5, "coasting", 20.0, 0.2)]

    monkeypatch.setitem(MAKERS, "transient", fake)
    for _ in range(2):
        columns, truth = make("transient", found[0], CLEAN[0], tmp_path)
        assert 1.0 == columns["t_s"][1]
        assert "coasting" == truth[0].fault
    assert [CLEAN[0]] == calls


def test_what_breaks_a_session_is_counted(capsys: pytest.CaptureFixture[str]) -> None:
    """A diagnosis that raises is a row of its own, says where, and does not hide the other sessions."""

    def broken(columns: Columns, first_fault_s: float) -> Passes:
        raise ValueError("no way")

    (score,) = job(Job("plain", Ask(1, FAULTS, 1, 1), CLEAN), broken)
    total = Score()
    total.add(score)
    assert 1 == {r.fault: r for r in rows_of(total, "b", "plain", "tuning", *CLEAN[0])}["broken"].reported
    assert "ValueError: no way" in capsys.readouterr().err


def test_the_sealed_set_is_run_by_its_name(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--sealed takes the circuits of that set (a tuning circuit in its place here) and writes rows that say so."""
    monkeypatch.setitem(circuit_sets.SETS, "sealed", {1: 3600.0})
    file = tmp_path / "deep" / "rows.json"
    given = "--sealed --sim plain --faults brake_early --passes 2 --clean --write"
    fault_bench.main([*given.split(), str(file)])
    written = json.loads(file.read_text(encoding="utf-8"))
    assert {"sealed"} == set(written["plain"])
    row = written["plain"]["sealed"]["clean 60 Hz"]["all"]
    assert ("plain", "sealed") == (row["simulator"], row["set"])
    assert 2 == row["n"] + row["small"]
    assert "== plain sealed clean 60 Hz" in capsys.readouterr().out


def test_the_habit_form_runs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A habit of every lap, on the circuits of a set, in the same rows."""
    monkeypatch.setitem(circuit_sets.SETS, "tuning", {1: 3600.0})
    file = tmp_path / "rows.json"
    given = "--circuits tuning --laps 1 --faults throttle_soft --write"
    habit_bench.main([*given.split(), str(file)])
    row = json.loads(file.read_text(encoding="utf-8"))["practice"]["tuning"]["clean 60 Hz"]["throttle_soft"]
    assert 0 < row["n"]


def test_a_file_keeps_the_rows_of_other_runs(tmp_path: Path) -> None:
    """A second run adds its rows beside those of the first."""
    file = tmp_path / "rows.json"
    score = Score(truths=3)
    for name in ("development", "sealed", "sealed"):
        write_rows(file, records(rows_of(score, "fault_bench", "plain", name, *CLEAN[0])))
    written = json.loads(file.read_text(encoding="utf-8"))["plain"]
    assert ["development", "sealed"] == sorted(written)
    assert 3 == written["sealed"]["clean 60 Hz"]["lost"]["n"]
