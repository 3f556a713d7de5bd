from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.values import Decision
from coach.errors import SessionError
from coach.session.log import decision_line, decision_of, read_log, write_log

KEYS = ["t_s", "lap", "s_m", "corner", "rule", "outcome", "reason", "text", "ends_t_s", "action_t_s"]
HELD = Decision(12.34567, 3, 401.239, "Kiln", "exit_wide", "held", "no room", "", math.nan, 14.0)


def test_a_line_has_exactly_the_agreed_keys() -> None:
    """Ten keys in order; times to 3 decimals, places to 2, unknown is null."""
    fields = json.loads(decision_line(HELD))
    assert KEYS == list(fields)
    assert [12.346, 3, 401.24, "Kiln", "exit_wide", "held", "no room", "", None, 14.0] == list(fields.values())


def test_family_and_fault_are_added_where_set() -> None:
    """A correction names its family and fault after the ten keys."""
    said = Decision(1.0, 1, 2.0, "a", "r", "spoken", "", "brake later", 1.6, 2.4, "correction", "brake_early")
    assert [*KEYS, "family", "fault"] == list(json.loads(decision_line(said)))


numbers = st.floats(-1e6, 1e6) | st.just(math.nan)
decisions = st.builds(
    Decision,
    t_s=st.floats(0, 1e5).map(lambda t: round(t, 3)),
    lap=st.integers(0, 500),
    s_m=numbers.map(lambda s: round(s, 2) + 0.0),
    corner=st.text(),
    rule=st.text(),
    outcome=st.sampled_from(["spoken", "held"]),
    reason=st.text(),
    text=st.text(),
    ends_t_s=numbers.map(lambda t: round(t, 3) + 0.0),
    action_t_s=numbers.map(lambda t: round(t, 3) + 0.0),
    family=st.text(),
    fault=st.text(),
)


@settings(max_examples=40)
@given(decisions)
def test_a_line_and_its_decision_are_the_same(decision: Decision) -> None:
    """Written and read again, any rounded decision is itself, whatever its texts hold."""
    line = decision_line(decision)
    assert "\n" not in line
    assert repr(decision) == repr(decision_of(line))
    assert line == decision_line(decision_of(line))


def test_a_log_file(tmp_path: Path) -> None:
    """A log is read as it was written; a cut last line is left out; a wrong line is named."""
    path = tmp_path / "log.jsonl"
    write_log(path, [HELD] * 3)
    assert 3 == len(read_log(path))
    path.write_bytes(path.read_bytes()[:-20])
    assert 2 == len(read_log(path))
    path.write_text(decision_line(HELD) + "\n" + decision_line(HELD).replace("held", "sung") + "\n")
    with pytest.raises(SessionError, match=r"log\.jsonl:2: outcome: expected one of spoken, held"):
        read_log(path)
    path.write_text('{"t_s": 1}\n')
    with pytest.raises(SessionError, match=r"log\.jsonl:1: not a decision"):
        read_log(path)
    with pytest.raises(SessionError, match="cannot be read"):
        read_log(tmp_path / "none")
    with pytest.raises(SessionError, match="cannot be written"):
        write_log(tmp_path / "no" / "log", [])
