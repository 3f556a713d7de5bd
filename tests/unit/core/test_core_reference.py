"""The quick ways to ask a reference, held to the general one; what the driver's bands keep between passes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from core_setup import plan
from hypothesis import given
from hypothesis import strategies as st

from coach.core.diagnose.practised import PRIOR
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.track.reference import Reference

CLOSED = plan()[0]
OPEN = replace(CLOSED, closed=False, length_m=(len(CLOSED) - 1) * CLOSED.step_m)
NAMES = ("t_s", "speed_mps", "heading_rad", "curvature_pm")


@pytest.mark.parametrize("reference", [CLOSED, OPEN], ids=["closed", "open"])
@given(laps=st.floats(-3.0, 40.0), seam=st.booleans())
def test_a_single_place_is_asked_with_the_same_answer(reference: Reference, laps: float, seam: bool) -> None:
    """``value`` gives what ``at`` gives, to the last bit, over the seam and on it too."""
    place = (round(laps) if seam else laps) * reference.length_m
    assert [float(reference.at(name, place)) for name in NAMES] == [reference.value(name, place) for name in NAMES]


@pytest.mark.parametrize("reference", [CLOSED, OPEN], ids=["closed", "open"])
def test_values_on_nodes_are_those_at_their_places(reference: Reference) -> None:
    """``on_nodes`` wraps over the seam of a circuit and holds the ends of an open course."""
    n = len(reference)
    places = np.arange(-5, n + 6).astype(np.float64) * reference.step_m
    expected = reference.at("curvature_pm", places)
    np.testing.assert_allclose(reference.on_nodes("curvature_pm", -5, n + 5), expected, rtol=0.0, atol=1e-12)


def _learned(corners: int, passes: int) -> ToleranceModel:
    rng, bands = np.random.default_rng(1), ToleranceModel()
    for _ in range(passes):
        for corner in range(corners):
            bands.learn(corner, {name: prior * float(rng.normal()) for name, prior in PRIOR.items()})
    return bands


def test_bands_that_were_asked_before_learn_on() -> None:
    """Asking between passes changes nothing: a pass learned afterwards counts, at its corner alone."""
    asked, unasked = ToleranceModel(), ToleranceModel()
    for seed in range(30):
        rng = np.random.default_rng(seed)
        gaps = {name: prior * float(rng.normal()) for name, prior in PRIOR.items()}
        for bands in (asked, unasked):
            bands.learn(seed % 2, gaps)
        _ = asked.baseline(0), asked.baseline(1), asked.width(1, "brake_start_m")
    for corner in (0, 1):
        assert unasked.baseline(corner) == asked.baseline(corner)
        assert [unasked.sigma(corner, name) for name in PRIOR] == [asked.sigma(corner, name) for name in PRIOR]


def test_bands_follow_their_corners_to_other_numbers() -> None:
    """After a corner was taken out the scatter and the usual gaps of the others are theirs still, under new numbers."""
    bands, before = _learned(3, 12), _learned(3, 12)
    _ = bands.baseline(0), bands.baseline(2)
    bands.renumber({0: 0, 2: 1})
    assert before.baseline(2) == bands.baseline(1) != {}
    assert before.width(2, "loss_s") == bands.width(1, "loss_s")
    assert {} == bands.baseline(2)
    # a corner without passes has the driver's own scatter elsewhere, at least the practised driver's
    assert bands.sigma(2, "loss_s") == bands.sigma(9, "loss_s") >= PRIOR["loss_s"]
