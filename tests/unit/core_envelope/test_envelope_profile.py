from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.columns import Floats
from coach.core.measure.grip_use import grip_use, phase_places, phase_use
from coach.core.track.envelope import Envelope, GripLimit, Shown
from coach.core.track.road import Road, level_road
from coach.core.track.speed_profile import corner_limit, speed_profile, travel_time
from coach.core.track.zones import zones
from coach.core.values import Corner

CAR = Envelope(
    left=GripLimit(13.0, 0.001, 60.0), right=GripLimit(12.0, 0.001, 60.0), brake=GripLimit(12.0, 0.0008, 60.0, 13.5),
    traction=GripLimit(8.0, 0.0005, 60.0), power_wpkg=290.0, drag_pm=0.0005, exponent=2.0,
)  # fmt: skip


def winding(seed: int, n: int = 900) -> Road:
    """A closed road of a few bends to either side."""
    rng = np.random.default_rng(seed)
    at = np.arange(n)
    curvature: Floats = np.zeros(n)
    for middle, top in zip(rng.integers(60, n - 60, 5), rng.uniform(-0.05, 0.05, 5), strict=True):
        curvature += top * np.exp(-(((at - middle) / 25.0) ** 2))
    return level_road(curvature, 2.0)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), turn=st.integers(1, 899))
def test_the_lap_does_not_depend_on_where_it_begins(seed: int, turn: int) -> None:
    """A closed road rolled round gives the same speeds, rolled."""
    road = winding(seed)
    rolled = replace(road, curvature_pm=np.roll(road.curvature_pm, turn))
    assert np.roll(speed_profile(road, CAR), turn) == pytest.approx(speed_profile(rolled, CAR), rel=1e-9)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0.5, 0.99))
def test_less_of_the_car_is_never_faster(seed: int, share: float) -> None:
    """With a share of the envelope no node is faster, and none exceeds its corner limit."""
    road = winding(seed)
    whole, part = speed_profile(road, CAR), speed_profile(road, CAR.times(share))
    assert (part <= whole + 1e-9).all()
    assert (whole <= corner_limit(road, CAR) + 1e-9).all()


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_fastest_drive_stays_within_the_envelope_and_uses_it(seed: int) -> None:
    """The use of grip of the reachable lap is 1 nearly everywhere and nowhere more than a node's error above."""
    road = winding(seed)
    v = speed_profile(road, CAR)
    square = v * v / 2.0
    accel = (np.roll(square, -1) - np.roll(square, 1)) / 4.0
    use = grip_use(road, CAR, v, road.curvature_pm, accel)
    assert float(np.quantile(use, 0.98)) < 1.06
    assert float(np.median(use)) > 0.97


def test_either_side_has_its_own_limit() -> None:
    """The same bend is faster to the side that grips more."""
    left, right = (speed_profile(level_road(np.full(50, side * 0.02), 1.0), CAR)[0] for side in (1.0, -1.0))
    assert left > right


@pytest.mark.parametrize(
    ("field", "word"), [("left", "cornering"), ("brake", "braking"), ("power_wpkg", "acceleration")]
)
def test_what_is_unknown_is_named(field: str, word: str) -> None:
    """A speed profile from an envelope that is not whole raises ValueError with what is unknown."""
    part = msgspec.structs.replace(CAR, **{field: None})
    assert not part.whole
    with pytest.raises(ValueError, match=word):
        speed_profile(winding(1), part)


def test_an_open_road_keeps_its_ends() -> None:
    """Start and end speeds bound an open road; the time at the first node is 0, and a cap holds."""
    road = replace(level_road(np.zeros(300), 1.0), closed=False)
    v = speed_profile(road, CAR, start_mps=20.0, end_mps=15.0, cap=np.full(300, 30.0))
    assert (v[0], v[-1]) == pytest.approx((20.0, 15.0))
    assert v.max() == pytest.approx(30.0)
    times = travel_time(road, v)
    assert (300, 0.0) == (len(times), times[0])


def test_phases_of_a_corner_and_their_use() -> None:
    """Phases follow one another without a gap; a phase that is not there has no use."""
    corner = Corner("T", "left", float("nan"), 100.0, 130.0, 160.0, 170.0)
    zone = zones([corner], 1000.0, True)[0]
    found = phase_places(zone, float("nan"))
    assert "braking" not in found
    assert found["entry"][1] == found["middle"][0]
    assert found["middle"][1] == found["exit"][0]
    use = phase_use(np.arange(200.0), np.linspace(0.0, 1.0, 200), found)
    assert np.isnan(use["braking"])
    assert use["entry"] < use["middle"] < use["exit"]


def test_what_was_shown_survives_its_file_format() -> None:
    """Envelope and draws come back from JSON as they were."""
    shown = Shown(envelope=CAR, draws=(CAR.times(0.9),), laps=5, reachable=True, share=0.97)
    assert shown == msgspec.json.decode(msgspec.json.encode(shown), type=Shown)


def test_evaluation_does_not_load_the_optimiser() -> None:
    """coach.core.envelope starts without scipy.optimize, which takes its time to load."""
    code = (
        "import sys, coach.core.measure.headroom, coach.core.measure.grip_meter as m;"
        "sys.exit('coach.survey' in sys.modules or any('quantile' in n for n in sys.modules if n.startswith('coach')))"
    )
    assert 0 == subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode
