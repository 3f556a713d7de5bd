"""``coach check``: expectations about recorded sessions, and what is said when they do not hold."""

from __future__ import annotations

from pathlib import Path

import pytest
from app_bench_setup import copy_of, held, said

from coach.app.replay.auditing import audit_phrases
from coach.app.replay.check import CheckError, Played, check_folder, check_session, judge, renew_command
from coach.app.replay.check_models import Expectation, ExpectationsFileError
from coach.cli.root import guarded, make_app
from coach.core.values import Finding, Pass
from coach.profile.rule_files import rule_paths

FOUND = Pass(2, 0, 0.0, 0.1, 0.0, 0.0, 0.0, {}, {}, (Finding("brake_early", 10.0, "m", 0.2),))
CLEAN = Pass(3, 0, 0.0, 0.0, 0.0, 0.0, 0.0, {}, {})
PLAYED = Played(
    Path(), ("Quarry", "Weir"),
    (said(2), said(3, safety=True, rule="bump", text="bump"), said(3), said(3, "Weir", "gear", "second gear"),
     held("fading", lap=4)),
    (FOUND, CLEAN), (1, 2, 3, 4),
)  # fmt: skip

HOLDS = [
    {"corner": "Quarry", "laps": "2-4", "spoken": "brake later"},
    {"corner": "Quarry", "spoken": "brake_early", "times": 2},
    {"most_a_lap": 2},
    {"corner": "Weir", "laps": 2, "silent": "anything"},
    {"corner": "Quarry", "laps": 4, "silent": "brake_early"},
    {"corner": "Quarry", "laps": 2, "found": "brake_early"},
    {"corner": "Quarry", "laps": 3, "not_found": "brake_early"},
]
FAILS = [
    ({"corner": "Quarry", "laps": 4, "spoken": "brake later"}, "'brake later' was spoken not (fading 1)"),
    ({"corner": "Weir", "spoken": "bump"}, "'bump' was spoken not (it was never considered)"),
    ({"corner": "Quarry", "spoken": "brake later", "times": 3}, "spoken 2 of 3 times"),
    ({"most_a_lap": 1}, "more than 1 cues in lap 3 (up to 2)"),
    ({"corner": "Weir", "silent": "anything"}, "'second gear' was spoken in lap 3 instead of silence"),
    ({"corner": "Quarry", "found": "brake_soft"}, "brake_soft was found in 0 of 2 passes (found there: brake_early 1)"),
    ({"corner": "Quarry", "not_found": "brake_early"}, "brake_early was found in lap 2"),
    (
        {"corner": "Quarry", "laps": "5-9", "silent": "brake later"},
        "laps 5-9: expected a lap that was driven (laps 1-4), found none",
    ),
    ({"laps": 7, "not_found": "brake_early"}, "laps 7: expected a lap that was driven (laps 1-4), found none"),
]


@pytest.mark.parametrize("fields", HOLDS, ids=str)
def test_what_holds(fields: dict[str, object]) -> None:
    """Each kind of expectation that is met says nothing."""
    assert [] == judge(Expectation.model_validate(fields), PLAYED)


@pytest.mark.parametrize(("fields", "message"), FAILS, ids=str)
def test_what_does_not_hold(fields: dict[str, object], message: str) -> None:
    """Each kind that is not met says where, what was expected and what was the case instead."""
    (problem,) = judge(Expectation.model_validate(fields), PLAYED)
    assert message in problem


MISTAKES = [
    ("  - {corner: Quarry}", "expect.yaml:3", "expected exactly one of spoken, silent"),
    ("  - {spoken: a, silent: b}", "expect.yaml:3", "expected exactly one of"),
    ("  - {corner: Nowhere, spoken: a}", "expect.yaml:3", "expected one of Quarry, Gorse"),
    ("  - {spoken: a, laps: 4-2}", "expect.yaml:3", "a lap or a range of laps"),
    ("  - {found: brake_soon}", "expect.yaml:3", "brake_early"),
    ("  - {most_a_lap: 3, times: 2}", "expect.yaml:3", "found times with most_a_lap"),
    ("  - {sopken: a}", "expect.yaml:3", "sopken"),
]


@pytest.mark.parametrize(("line", "place", "message"), MISTAKES)
def test_a_mistake_in_the_file_has_its_line(line: str, place: str, message: str, tmp_path: Path) -> None:
    """Invalid expectations give an error with file, line, what was found and what is allowed."""
    session = copy_of("race", tmp_path)
    (session / "expect.yaml").write_text(f"schema: 1\nexpect:\n{line}\n", encoding="utf-8")
    with pytest.raises(ExpectationsFileError) as caught:
        check_session(session)
    assert place in str(caught.value)
    assert message in str(caught.value)


def run(*arguments: str) -> int:
    """The command line; its exit code."""
    return guarded(lambda: make_app("check")(args=["check", *arguments]))


def test_the_command_ends_with_one_and_tells_how_to_renew(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As expected: 0. A golden log that differs: 1, where it differs, and the command; after that command: 0 again,
    and the golden is what it was."""
    session = copy_of("evening_run", tmp_path)
    assert 0 == run(str(tmp_path))
    golden = session / "decisions.jsonl"
    whole = golden.read_text(encoding="utf-8")
    golden.write_text(whole.replace('"spoken"', '"held"', 1), encoding="utf-8")
    capsys.readouterr()
    assert 1 == run(str(tmp_path))
    said_so = capsys.readouterr().out
    assert "gained" in said_so
    assert renew_command(tmp_path) in said_so.replace("\n", "")
    assert 0 == run(str(tmp_path), "--renew")
    assert whole == golden.read_text(encoding="utf-8")
    assert 0 == run(str(session))


def test_nothing_to_check_is_an_error(tmp_path: Path) -> None:
    """A folder without expectations, a missing one, and expectations without a session are each one clear line."""
    with pytest.raises(CheckError, match=r"expected expect\.yaml in it or in a folder below, found none"):
        check_folder(tmp_path)
    with pytest.raises(CheckError, match="found nothing"):
        check_folder(tmp_path / "no")
    (tmp_path / "expect.yaml").write_text("schema: 1\n", encoding="utf-8")
    with pytest.raises(CheckError, match=r"expected a session \(header.json\) beside expect.yaml, found none"):
        check_folder(tmp_path)
    assert 2 == run(str(tmp_path / "no"))


@pytest.mark.parametrize("rules", sorted(rule_paths()))
def test_every_shipped_phrase_is_within_its_bounds(rules: str) -> None:
    """At most four words and two units of information in the short form, four units in the long one (Gatling 1975,
    FHWA-RD-75-73, allows four), and none longer than 5 s at 160 words a minute."""
    found = audit_phrases("hollow_ridge", rules)
    assert [] == [p.row.text for p in found if p.too_much]
    assert found
    assert max(p.seconds for p in found) < 5.0
    assert {"short", "named"} <= {p.row.form for p in found}


def test_the_audit_prints_every_phrase(capsys: pytest.CaptureFixture[str]) -> None:
    """``coach check --audit`` has a line for each, with words, units and seconds."""
    assert 0 == run("--audit", "race")
    out = capsys.readouterr().out
    assert all(p.row.text in out for p in audit_phrases("hollow_ridge", "race"))
