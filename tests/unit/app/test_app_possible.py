"""The possible best from own pieces, and what a debrief calls a fault or says of laps that are not alike."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from coach.app.review.debrief import unlike
from coach.app.review.theoretical_best import theoretical_best_lap
from coach.core.diagnose.advice import what
from coach.core.measure.passes import PassRecord
from coach.core.measure.trace import Trace
from coach.core.track.zones import zones
from coach.core.values import Corner

LENGTH_M = 1000.0
ZONES = zones(
    [
        Corner("T1", "left", float("nan"), 200.0, 230.0, 260.0, 300.0),
        Corner("T2", "right", float("nan"), 700.0, 730.0, 760.0, 800.0),
    ],
    LENGTH_M,
    closed=True,
)


def driven(lap: int, corner: int, speed_mps: float, stop_m: float = float("inf")) -> PassRecord:
    """A pass at a constant speed; ``stop_m`` is where the record ends."""
    zone = ZONES[corner].shifted(lap * LENGTH_M)
    zone = msgspec.structs.replace(zone, next_start_m=min(zone.next_start_m, stop_m))
    u = np.arange(zone.start_m, zone.next_start_m + 1.0)
    none = np.full(len(u), np.nan)
    trace = Trace(u, u / speed_mps, np.full(len(u), speed_mps), none, none, none, none, none, none, none)
    return PassRecord(lap, corner, zone, trace, (), {}, {}, True, float("nan"))


def test_a_straight_that_the_record_cuts_short_is_no_piece() -> None:
    """A record that ends on the line cuts the last straight short: what is left of it is not its time."""
    passes = [driven(lap, corner, 50.0) for lap in (1, 2) for corner in (0, 1)]
    passes += [driven(3, 0, 50.0), driven(3, 1, 50.0, stop_m=4 * LENGTH_M)]
    assert pytest.approx(LENGTH_M / 50.0) == theoretical_best_lap(passes, ZONES)[0]


def test_a_piece_is_not_entered_faster_than_the_one_before_gave() -> None:
    """Pieces of a fast lap follow pieces of a slow one only where the speeds fit: here nowhere."""
    passes = [driven(1, corner, 40.0) for corner in (0, 1)] + [driven(2, 0, 50.0), driven(2, 1, 40.0)]
    assert pytest.approx(LENGTH_M / 40.0) == theoretical_best_lap(passes, ZONES)[0]


def test_rolling_is_told_in_metres() -> None:
    """The amount of coasting is metres, and is told as metres."""
    assert "coasts for 112 m" == what("coasting", 112.0)


def test_laps_far_from_the_pace_of_the_reference_are_named() -> None:
    """A third slower or faster than the reference is said, with what to do; a tenth slower is a driver who learns."""
    assert () == unlike(99.0, 90.0)
    assert "34% slower" in unlike(120.6, 90.0)[0]
    assert "39% faster" in unlike(55.0, 90.0)[0]
