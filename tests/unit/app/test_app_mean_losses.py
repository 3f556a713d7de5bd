from __future__ import annotations

import pytest

from coach.app.review.debrief import START, CornerLoss, Debrief, LapLoss
from coach.app.review.mean_losses import mean_losses


def loss(corner: str, entry: float, after: float = 0.0) -> CornerLoss:
    return CornerLoss(corner, entry, entry, 0.0, 0.0, after, {}, {}, ())


def lap(number: int, valid: bool, *corners: CornerLoss) -> LapLoss:
    return LapLoss(number, 90.0, valid, 0.0, corners)


def test_means_are_over_laps_that_count_in_driving_order() -> None:
    """A lap that does not count is left out of the means, a corner only it has altogether; the order is that driven."""
    laps = (
        lap(1, False, loss("Weir", 9.0), loss("Quarry", 9.0), loss("Gorse", 9.0)),
        lap(2, True, loss("Quarry", 0.2, 0.1), loss("Gorse", -0.1)),
        lap(3, True, loss(START, 0.05), loss("Quarry", 0.4, 0.1), loss("Gorse", 0.1)),
    )
    means = mean_losses(Debrief(1, "Hollow Ridge", 3990.0, 2, None, laps, 90.0))
    assert ["Quarry", "Gorse", START] == [mean.corner for mean in means]
    quarry, gorse, start = means
    assert (0.3, 0.0, 0.0, 0.1) == pytest.approx(quarry.parts)
    assert (0.4, 0.0, 0.05) == pytest.approx((quarry.total_s, gorse.total_s, start.total_s))
    assert (0.3, 0.5) == pytest.approx(quarry.each)


def test_no_lap_that_counts_has_no_means() -> None:
    """Nothing is made up where nothing counts."""
    assert [] == mean_losses(Debrief(1, "Hollow Ridge", 3990.0, 0, None, (lap(1, False, loss("Quarry", 1.0)),), 90.0))
