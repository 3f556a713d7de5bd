from __future__ import annotations

from pathlib import Path

import pytest
from pages_shared import SESSION, looked

from coach.app.review.remembering import answers, driver_wordings, remember, remember_session
from coach.core.cue.rules import CueRule, RuleSet, reworded
from coach.core.values import Finding
from coach.session.history import CueRow, History, PassRow, SessionInfo

RULE = CueRule(
    name="brake_early",
    family="correction",
    about="brake_early",
    slot="approach",
    long="{corner}, brake {metres} metres later",
    short="brake later",
    alternatives=("deeper, then brake", "hold the throttle"),
)
RULES = RuleSet("own", "improving", (RULE,))


def test_a_session_is_kept_as_the_debrief_tells_it(tmp_path: Path) -> None:
    """Laps, mean losses and faults in the history are those of the debrief; cues are those that were heard."""
    one = looked()
    with History(tmp_path / "h") as history:
        number = remember_session(history, SESSION)
        (session,) = history.sessions(one.setup.circuit)
        valid = [lap.time_s for lap in one.debrief.laps if lap.valid]
        assert (len(one.debrief.laps), min(valid)) == (session.laps, session.best_s)
        rows = {row.corner: row for row in history.corners(number)}
        assert [c.name for c in one.setup.corners] == list(rows)
        for gain in one.debrief.gains:
            passes, cost = rows[gain.corner].faults[gain.fault]
            assert (gain.laps, gain.of) == (passes, rows[gain.corner].passes)
            assert gain.cost_s * gain.of == pytest.approx(cost * passes)
        spoken = [d for d in one.live if d.outcome == "spoken" and d.family == "correction"]
        assert len(spoken) == sum(s.spoken for s in history.said(one.setup.circuit))
        remember(history, one.result, one.setup, one.reader.header, one.live)
        assert 1 == len(history.sessions(one.setup.circuit))


def deaf(history: History, sessions: int) -> None:
    """Sessions in which "brake later" was said once and never answered."""
    found = (Finding("brake_early", 12.0, "m", 0.2),)
    for n in range(sessions):
        passes = [PassRow(lap, "Quarry", 0, 0.2, 0.0, True, findings=found) for lap in range(1, 8)]
        cue = CueRow(4, "Quarry", 400.0, "brake_early", "correction", "brake_early", "brake later", "brake later",
                     True, "", True)  # fmt: skip
        history.keep(SessionInfo(f"s{n}", f"2026-01-0{n + 1}", "Hollow Ridge", "ada"), [], passes, [cue])


def test_words_that_never_work_are_replaced_for_this_driver_alone(tmp_path: Path) -> None:
    """Three attempts in vain change nothing, four do: for this driver, and the words come into the rules."""
    with History(tmp_path / "h") as history:
        deaf(history, 3)
        assert {} == driver_wordings(history, "Hollow Ridge", "ada", RULES)
        deaf(history, 4)
        chosen = driver_wordings(history, "Hollow Ridge", "ada", RULES)
        assert {"brake_early": "deeper, then brake"} == chosen
        assert {} == driver_wordings(history, "Hollow Ridge", "ben", RULES)
        worked = answers(history, "Hollow Ridge", "ada")
        assert (0, 4) == (worked.spoken.worked, worked.spoken.of)
        assert worked.spoken.high < 0.5
    (rule,) = reworded(RULES, chosen).rules
    assert ("deeper, then brake", ("hold the throttle", "brake later")) == (rule.short, rule.alternatives)
    assert rule.short == rule.long
    assert RULES == reworded(RULES, {})
    assert RULES == reworded(RULES, {"brake_early": "words from elsewhere"})
