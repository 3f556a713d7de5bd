"""The quick median and derivative, held to those of numpy."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from coach.core.numeric.reductions import median
from coach.core.numeric.smoothing import slope


@given(st.lists(st.floats(-1e6, 1e6) | st.just(float("nan")), min_size=1, max_size=60))
def test_middle_is_the_median_of_numpy(values: list[float]) -> None:
    """Odd or even in number, with ties and with absent values: what numpy.median gives, to the last bit."""
    row = np.array(values)
    np.testing.assert_array_equal(np.median(row), median(row))


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40), st.floats(0.1, 3.0))
def test_slope_is_the_gradient_of_numpy(values: list[float], step: float) -> None:
    """Inside and at both ends: what numpy.gradient gives on an even grid, to the last bit."""
    row = np.array(values)
    np.testing.assert_array_equal(np.gradient(row, step), slope(row, step))
