"""A record that ends a little before the line: its last lap counts, by speed and acceleration, and is marked."""

from __future__ import annotations

from functools import cache

import core_setup  # noqa: F401 - puts the tools on the path
import msgspec
import numpy as np
import pytest
from simulated import columns_of

from coach.app.rerun.rerun import Rerun, rerun
from coach.app.review.debrief import debrief
from coach.app.setup import Setup
from coach.core.columns import Columns, Floats
from coach.core.cue.rules import RuleSet
from coach.profile.store import load_plan
from feeds.practice import Noise, faultless, hollow_ridge, simulate

BY_LAPS = {5.0: 0.001, 20.0: 0.001, 45.0: 0.004}
"""How far a lap's time may be off [s] whose record ends so many metres before the line."""


@cache
def whole(noisy: bool = False) -> Columns:
    noise = Noise(position_m=0.3, speed_mps=0.1) if noisy else None
    return columns_of(simulate(faultless(hollow_ridge()), 2, rate_hz=60.0, seed=2, noise=noise))


def ended(missing_m: float, first_brake_m: float | None = None, noisy: bool = False) -> tuple[Rerun, Setup]:
    """The session's frames up to ``missing_m`` before the end of its last lap; negative: beyond it."""
    made = load_plan("hollow_ridge")
    corners = made.corners
    if first_brake_m is not None:
        corners = (msgspec.structs.replace(corners[0], brake_m=first_brake_m), *corners[1:])
    c = whole(noisy)
    setup = Setup("short", made.reference, corners, RuleSet("none", "improving", ()))
    return rerun([c.where(ahead(c) >= missing_m)], setup), setup


def ahead(c: Columns) -> Floats:
    """Metres to the end of the second lap, at each frame."""
    way = c["lap_distance_m"] + c["lap"] * c["lap_distance_m"].max()
    out: Floats = way[c["lap"] == 2.0].max() - way
    return out


@pytest.mark.parametrize("missing_m", BY_LAPS)
@pytest.mark.parametrize("first_brake_m", [None, 20.0])
def test_the_last_lap_counts_up_to_the_line(missing_m: float, first_brake_m: float | None) -> None:
    """The lap's time is that of the whole record, it is marked, and the debrief says so.

    A first corner braked for 20 m after the line makes the end of the lap lie in that corner.
    """
    laps = ended(missing_m, first_brake_m)[0].events.laps
    full = ended(-20.0, first_brake_m)[0].events.laps
    assert [lap.lap for lap in laps] == [1, 2]
    assert laps[-1].valid
    assert laps[-1].time_s == pytest.approx(full[-1].time_s, abs=BY_LAPS[missing_m])
    assert laps[-1].delta_s == pytest.approx(full[-1].delta_s, abs=BY_LAPS[missing_m])
    assert laps[-1].short_m == pytest.approx(missing_m, abs=2.0)
    assert full[-1].short_m == 0.0
    notes = debrief(*ended(missing_m, first_brake_m)).notes
    assert any(f"lap 2 ends {laps[-1].short_m:.0f} m before the line" in note for note in notes)


def test_noise_moves_an_extrapolated_lap_by_some_milliseconds() -> None:
    """0.3 m and 0.1 m/s, 45 m before the line: the same lap recorded to its end, within 15 ms."""
    short, full = ended(45.0, noisy=True)[0].events.laps[-1], ended(-20.0, noisy=True)[0].events.laps[-1]
    assert short.time_s == pytest.approx(full.time_s, abs=0.015)


def test_what_ends_farther_from_the_line_is_no_lap() -> None:
    assert [lap.lap for lap in ended(60.0)[0].events.laps] == [1]


def test_a_car_that_brakes_to_a_stop_before_the_line_ends_no_lap() -> None:
    c = Columns(whole().data.copy())
    made = load_plan("hollow_ridge")
    c = c.where(ahead(c) >= 40.0)
    last = c["t_s"] > c["t_s"][-1] - 1.0
    c["speed_mps"][last] = np.linspace(c["speed_mps"][last][0], 12.0, int(last.sum()))
    found = rerun([c], Setup("short", made.reference, made.corners, RuleSet("none", "improving", ())))
    assert [lap.lap for lap in found.events.laps] == [1]
