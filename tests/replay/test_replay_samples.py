"""The recorded sessions in replay_samples/: the same decisions, line for line, and every shipped rule at work."""

from __future__ import annotations

from collections import defaultdict
from functools import cache
from pathlib import Path

import pytest

from coach.app.replay.check import check_session, renew_command, sessions_in
from coach.core.values import GRIP_FAULTS
from coach.profile.rule_files import load_rules, rule_paths
from coach.session.log import read_log
from coach.session.reader import SessionReader

SAMPLES = Path(__file__).parents[2] / "replay_samples"
SESSIONS = sessions_in(SAMPLES)
LARGEST_BYTES = 1_500_000
COSTS_NOTHING = {"gear_high", "gear_high_cured"}
"""The practice car loses nothing in too high a gear; these two are put to work in test_core_rules_at_work.py."""
NEEDS_A_REACHABLE_LAP = {f"{fault}{end}" for fault in GRIP_FAULTS for end in ("", "_cured")}
"""The samples are driven against a driven lap; test_diag_unused_grip.py puts these to work."""


@pytest.mark.parametrize("session", SESSIONS, ids=lambda p: p.name)
def test_a_session_gives_its_golden_log_and_what_is_expected(session: Path) -> None:
    """A replay in large batches gives the log of the live run line for line, and every line of expect.yaml holds; when
    a change of the decisions is meant, the command shown writes the logs."""
    assert "same_as: decisions.jsonl" in (session / "expect.yaml").read_text(encoding="utf-8")
    done = check_session(session)
    assert [] == done.failures, f"if that is meant: {renew_command(SAMPLES)}"
    assert done.expectations > 1
    assert done.spoken > 0


@cache
def outcomes() -> dict[tuple[str, str], set[str]]:
    """(rule set, rule) -> outcomes seen in the golden logs."""
    seen: dict[tuple[str, str], set[str]] = defaultdict(set)
    for session in SESSIONS:
        name = load_rules(session / "rules.yaml").name
        for d in read_log(session / "decisions.jsonl"):
            seen[name, d.rule].add(d.outcome)
    return seen


@pytest.mark.parametrize("rule_set", [name for name in sorted(rule_paths()) if load_rules(name).cues_per_lap])
def test_each_shipped_rule_is_spoken_once_and_held_once(rule_set: str) -> None:
    """No rule of the shipped sets is dead, and none speaks whenever it could: both outcomes are in the goldens.

    A set that speaks only when asked is put to work in test_core_asking.py.
    """
    rules = load_rules(rule_set)
    missing = [
        f"{rule.name} is never {outcome}"
        for rule in rules.rules
        for outcome in ("spoken", "held")
        if rule.name not in COSTS_NOTHING | NEEDS_A_REACHABLE_LAP and outcome not in outcomes()[rules.name, rule.name]
    ]
    assert [] == missing


def test_the_samples_are_small_and_not_empty() -> None:
    """Each is under 1.5 MB, has at least three laps of frames, and the logs together hold every common reason."""
    reasons = set()
    for session in SESSIONS:
        assert sum(p.stat().st_size for p in session.iterdir()) < LARGEST_BYTES
        reader = SessionReader(session)
        assert len(reader.laps()) >= 3
        assert len(reader.columns()) > 5000
        reasons |= {d.reason for d in read_log(session / "decisions.jsonl") if d.outcome == "held"}
    common = {"another cue came first", "no room", "known by now", "within tolerance"}
    assert common <= reasons
