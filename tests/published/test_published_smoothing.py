"""Smoothing against the same filter in scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import savgol_filter

from coach.core.numeric.smoothing import smooth


@given(st.integers(1, 60), st.integers(1, 3), st.integers(0, 200), st.integers(0, 2**32 - 1))
def test_smoothing_is_that_of_scipy(half: int, degree: int, more: int, seed: int) -> None:
    """Savitzky and Golay 1964 as scipy.signal.savgol_filter does it, ends by the polynomial of the end windows."""
    values = np.random.default_rng(seed).normal(50.0, 5.0, 2 * half + 1 + more)
    expected = savgol_filter(values, 2 * half + 1, degree) if 2 * half + 1 > degree + 1 else values
    assert expected == pytest.approx(smooth(values, half, degree), abs=1e-8)
