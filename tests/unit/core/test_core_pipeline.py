"""The whole core: the same answer however frames are cut, whatever they hold."""

from __future__ import annotations

import numpy as np
import pytest
from core_setup import mixed_rules, pipeline, plan, run_chunks, same, session
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.columns import Columns
from coach.core.pipeline import Pipeline

FEW = settings(max_examples=12, deadline=None)


def spoil(columns: Columns, rng: np.random.Generator, what: list[str]) -> Columns:
    """The session with the troubles asked for."""
    data = columns.data.copy()
    rows = {name: i for i, name in enumerate(("t_s", "x_m", "y_m"))}
    n = data.shape[1]
    for kind in what:
        n = data.shape[1]
        at = int(rng.integers(n // 10, n))
        some = np.flatnonzero(rng.random(n) < 0.02)
        if kind == "drop":
            data = np.delete(data, some, axis=1)
        elif kind == "double":
            data = np.repeat(data, 1 + (rng.random(n) < 0.05), axis=1)
        elif kind == "nan":
            data[rng.integers(0, data.shape[0], len(some)), some] = np.nan
        elif kind == "huge":
            data[rng.integers(0, data.shape[0], len(some)), some] = rng.choice([1e300, -1e300, np.inf, -np.inf, 1e12])
        elif kind == "backward":
            data[rows["t_s"], some] -= rng.uniform(0.0, 30.0, len(some))
        elif kind == "reorder":
            data = data[:, np.argsort(np.arange(n) + rng.uniform(0.0, 4.0, n), kind="stable")]
        elif kind == "restart":
            data[rows["t_s"], at:] -= data[rows["t_s"], at] - 1.0
        elif kind == "gap":
            data[rows["t_s"], at:] += 40.0
        elif kind == "teleport":
            data[rows["x_m"], at : at + 200] += 800.0
        elif kind == "swap":
            data[:, at:] = np.roll(data[:, at:], int(rng.integers(0, n)), axis=1)
        elif kind == "blind":
            data[rows["x_m"] : rows["y_m"] + 1, at : at + int(rng.integers(1, 60))] = np.nan
        elif kind == "no speed":
            data[7, at : at + 400] = np.nan
        elif kind == "pit":
            data[13, at : at + 300] = 1.0
        elif kind == "reverse":
            data[1:3, at : at + 200] = data[1:3, at : at + 200][:, ::-1]
    return Columns(np.ascontiguousarray(data))


KINDS = ["drop", "double", "nan", "huge", "backward", "reorder", "restart", "gap", "teleport", "swap", "blind",
         "no speed", "pit", "reverse"]  # fmt: skip


@pytest.mark.parametrize("noisy", [False, True])
def test_frames_one_by_one_give_what_one_batch_gives(noisy: bool) -> None:
    """Decisions, passes, laps and phases do not depend on how the frames were cut, clean and noisy."""
    columns = session(2, 20.0, noisy)
    whole, _ = run_chunks(columns, [])
    single, _ = run_chunks(columns, list(range(len(columns))))
    assert same(whole) == same(single)
    assert whole.decisions
    assert whole.passes
    assert len(whole.laps) == 2


@FEW
@given(st.integers(0, 2**32 - 1), st.lists(st.sampled_from(KINDS), min_size=1, max_size=4), st.data())
def test_any_cut_of_any_trouble_gives_the_same_answer(seed: int, what: list[str], data: st.DataObject) -> None:
    """Dropped, doubled, NaN, backward, reordered frames, restarts, teleports: nothing raises, and random cuts,
    single frames and one batch agree."""
    columns = spoil(session(1, 20.0), np.random.default_rng(seed), what)
    cuts = data.draw(st.lists(st.integers(1, len(columns)), max_size=12))
    whole, _ = run_chunks(columns, [])
    some, _ = run_chunks(columns, cuts)
    single, _ = run_chunks(columns, list(range(len(columns))))
    assert same(whole) == same(some)
    assert same(whole) == same(single)
