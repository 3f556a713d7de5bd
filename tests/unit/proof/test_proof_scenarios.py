"""The scenario bench in its short form: an instructor's rows on two circuits; what is known to fail must still fail."""

from __future__ import annotations

import dataclasses

import pytest
import scenario_bench
from _pytest.mark import ParameterSet
from scenario_ground import QUICK, Drive, ground
from scenario_rows import SCENARIOS, Scenario
from scenario_sessions import Session
from scenario_waits import WAITS

from coach.core.values import Decision


def _cases() -> list[ParameterSet]:
    cases = []
    for circuit in QUICK:
        for scenario in SCENARIOS:
            why, circuits = WAITS.get(scenario.name, ("", ()))
            marks = [pytest.mark.xfail(strict=True, reason=f"waits for {why}")] if circuit in circuits else []
            cases.append(pytest.param(scenario, circuit, marks=marks, id=f"{circuit}: {scenario.name}"))
    return cases


@pytest.mark.parametrize(("scenario", "circuit"), _cases())
def test_the_driver_hears_what_he_should(scenario: Scenario, circuit: str) -> None:
    """No more corrections than the row allows, none that is forbidden, and in time what must be said."""
    assert [] == scenario_bench.judge(scenario, circuit, 1).wrong


def test_every_expected_failure_is_a_row_and_says_what_it_waits_for() -> None:
    """No mark outlives its row, and none stands without a reason."""
    names = {scenario.name for scenario in SCENARIOS}
    assert set(WAITS) <= names
    assert all(why and circuits for why, circuits in WAITS.values())


def spoken(t_s: float, family: str, fault: str, corner: str = "Quarry", text: str = "") -> Decision:
    return Decision(t_s, 1, 0.0, corner, fault, "spoken", "", text, t_s + 1.0, t_s + 4.0, family, fault)


def drive(monkeypatch: pytest.MonkeyPatch, scenario: Scenario, heard: list[Decision], shown: list[str]) -> list[str]:
    """What is wrong when this is heard and shown; laps of 100 s, a habit of early braking at Quarry."""
    starts = {lap: 100.0 * (lap - 1) for lap in range(1, 14)}
    session = Session(Drive({}, starts), ground("demo").reference, (), frozenset({"Quarry"}), "brake_early")
    monkeypatch.setattr(scenario_bench, "hear", lambda _: (heard, shown))
    made = dataclasses.replace(scenario, session=lambda place, seed: session)
    return scenario_bench.judge(made, "demo", 1).wrong


def row(name: str) -> Scenario:
    return next(scenario for scenario in SCENARIOS if scenario.name == name)


def test_corrections_and_praise_are_counted_and_cautions_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """A driver without a fault may hear of a bump, and of nothing he should do."""
    bump = spoken(10.0, "caution", "bump")
    assert [] == drive(monkeypatch, row("wet"), [bump], ["a wet track"])
    heard = [bump, spoken(20.0, "correction", "slow_middle"), spoken(30.0, "confirmation", "slow_middle")]
    assert ["1 heard, 0 allowed", "1 praises"] == drive(monkeypatch, row("wet"), heard, [])


def test_what_is_forbidden_is_named_where_something_is_allowed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Off the apex the line may be corrected, more speed may not be asked for."""
    line = spoken(20.0, "correction", "apex_missed")
    assert [] == drive(monkeypatch, dataclasses.replace(row("1 m wide at the apex"), corners=1), [line], [])
    heard = [line, spoken(40.0, "correction", "slow_middle")]
    wrong = drive(monkeypatch, dataclasses.replace(row("1 m wide at the apex"), corners=1), heard, [])
    assert ["forbidden: 1 x slow_middle"] == wrong


@pytest.mark.parametrize(
    ("heard", "wrong"),
    [
        ([spoken(250.0, "correction", "brake_early")], []),
        ([spoken(350.0, "correction", "brake_early")], ["first said in lap 4, 3 allowed"]),
        ([spoken(250.0, "correction", "slow_middle")], ["never said", "also said: 1 x slow_middle at Quarry"]),
        (
            [spoken(250.0, "correction", "brake_early", "Beacon")],
            ["never said", "also said: 1 x brake_early at Beacon"],
        ),
        ([], ["never said"]),
    ],
)
def test_a_habit_must_be_said_in_time_and_nothing_else(
    monkeypatch: pytest.MonkeyPatch, heard: list[Decision], wrong: list[str]
) -> None:
    """Silence is no way through the bench, nor is saying much."""
    assert wrong == drive(monkeypatch, row("brakes early, room before it"), heard, [])


def test_what_must_be_told_may_be_said_or_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """The reference is another car's: a spoken word or the view's line tells it, a caution does not."""
    assert [] == drive(monkeypatch, row("slower car"), [], ["the reference is another car's"])
    caution = spoken(10.0, "caution", "crest", text="crest, car light")
    assert ["nothing said or shown of /\\bcar\\b/"] == drive(monkeypatch, row("slower car"), [caution], [])


def test_an_unknown_row_is_an_error_that_names_the_rows(capsys: pytest.CaptureFixture[str]) -> None:
    """A row that is not run must not look like one that passed."""
    with pytest.raises(SystemExit) as stopped:
        scenario_bench.main(["--rows", "wet", "1 m wide at the exit"])
    assert stopped.value.code == 2
    told = capsys.readouterr().err
    assert "found '1 m wide at the exit', allowed are 'at the limit', 'wet'" in told
