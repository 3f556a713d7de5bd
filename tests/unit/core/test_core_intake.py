"""Every kind of trouble with the clock."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.columns import Columns
from coach.core.locate.clock_gate import GAP_S, LATE_S, ClockGate


def frames(*times: float) -> Columns:
    """Frames with these times."""
    chunk = Columns.empty(len(times))
    chunk["t_s"][:] = times
    return chunk


def taken(intake: ClockGate, *chunks: Columns) -> list[tuple[float, str]]:
    """All frames taken, with what came before the first of each run."""
    out: list[tuple[float, str]] = []
    for chunk in chunks:
        for run, why in intake.take(chunk):
            out += [(float(t), why if i == 0 else "") for i, t in enumerate(run["t_s"])]
    return out


CASES = {
    "in order": ([0.0, 0.1, 0.2], [(0.0, ""), (0.1, ""), (0.2, "")], {}),
    "doubled": ([0.0, 0.1, 0.1, 0.2], [(0.0, ""), (0.1, ""), (0.2, "")], {"doubled": 1}),
    "late": ([0.0, 0.2, 0.1, 0.3], [(0.0, ""), (0.2, ""), (0.3, "")], {"late": 1}),
    "no time": ([0.0, np.nan, 0.1], [(0.0, ""), (0.1, "")], {"no_time": 1}),
    "restart": ([90.0, 90.1, 0.0, 0.1], [(90.0, ""), (90.1, ""), (0.0, "restart"), (0.1, "")], {"restart": 1}),
    "pause": ([1.0, 1.1, 60.0, 60.1], [(1.0, ""), (1.1, ""), (60.0, "gap"), (60.1, "")], {"gap": 1}),
    "stray ahead": ([1.0, 1.1, 500.0, 1.2], [(1.0, ""), (1.1, ""), (1.2, "")], {"stray_time": 1}),
    "stray behind": ([50.0, 50.1, 3.0, 50.2], [(50.0, ""), (50.1, ""), (50.2, "")], {"stray_time": 1}),
    "two strays": ([1.0, 900.0, 20.0, 1.1], [(1.0, ""), (1.1, "")], {"stray_time": 2}),
    "short loss": ([1.0, 1.0 + GAP_S, 3.1], [(1.0, ""), (1.0 + GAP_S, ""), (3.1, "")], {}),
    "endless": ([1.0, np.inf, -np.inf, 1e300, 1.1], [(1.0, ""), (1.1, "")], {"no_time": 3}),
}


@pytest.mark.parametrize("name", CASES)
def test_each_trouble_is_told_apart_and_counted(name: str) -> None:
    """Return accepted frames, the events before them, and the counts, in one chunk and frame by frame."""
    times, expected, counts = CASES[name]
    for chunks in ([frames(*times)], [frames(t) for t in times]):
        intake = ClockGate()
        assert expected == taken(intake, *chunks)
        assert counts == {k: v for k, v in intake.counts.items() if k != "impossible_value"}


def test_impossible_values_become_absent() -> None:
    """No car drives 2000 m/s or brakes with 700 %: the value goes, the frame stays, the caller's array too."""
    chunk = frames(0.0, 0.1)
    chunk["speed_mps"][:] = (50.0, 2000.0)
    chunk["brake"][:] = (7.0, 0.5)
    intake = ClockGate()
    ((run, _),) = intake.take(chunk)
    assert [50.0, "nan"] == [v if v == v else "nan" for v in run["speed_mps"].tolist()]
    assert ["nan", 0.5] == [v if v == v else "nan" for v in run["brake"].tolist()]
    assert 2 == intake.counts["impossible_value"]
    assert 2000.0 == chunk["speed_mps"][1]


@settings(max_examples=200)
@given(st.lists(st.one_of(st.floats(0, 20), st.floats(), st.integers(0, 8).map(float)), max_size=30), st.data())
def test_any_times_in_any_cut(times: list[float], data: st.DataObject) -> None:
    """Accepted frames do not depend on chunks; time goes back only at a restart, and jumps only at a gap."""
    cuts = sorted({0, len(times), *data.draw(st.lists(st.integers(0, len(times)), max_size=5))})
    chunks = [frames(*times[a:b]) for a, b in pairwise(cuts)]
    one, many = ClockGate(), ClockGate()
    whole = taken(one, frames(*times))
    assert whole == taken(many, *chunks)
    assert one.counts == many.counts
    for (before, _), (now, why) in pairwise(whole):
        assert why == "restart" if now <= before - LATE_S else (why == "gap" or 0.0 < now - before <= GAP_S)
