"""Extremes and checks of short rows against the reductions they stand for."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from coach.core.columns import Floats
from coach.core.numeric.reductions import all_finite, any_finite, largest, least, zero_for_absent

ROWS = arrays(
    np.float64,
    st.integers(0, 40),
    elements=st.one_of(st.floats(-1e3, 1e3), st.sampled_from((float("nan"), float("inf"), float("-inf")))),
)


@given(ROWS)
def test_each_is_what_the_reduction_gives(row: Floats) -> None:
    """Extremes, checks and filled gaps are those of numpy's reductions, whatever is absent or infinite."""
    assert bool(np.isfinite(row).all()) == all_finite(row)
    assert bool(np.isfinite(row).any()) == any_finite(row)
    np.testing.assert_array_equal(np.where(np.isnan(row), 0.0, row), zero_for_absent(row))
    if len(row):
        np.testing.assert_equal(np.max(row), largest(row))
        np.testing.assert_equal(np.min(row), least(row))
