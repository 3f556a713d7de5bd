"""Measures, contrast and noise: exact values on traces made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from coach.core.diagnose.tolerance import FLOOR
from coach.core.measure.comparison import compare_to_reference
from coach.core.measure.measures import measure
from coach.core.measure.trace import Trace
from coach.core.numeric.noise import white_noise
from coach.core.numeric.smoothing import smooth, span_for
from coach.core.track.zones import Zone, zones
from coach.core.values import Corner

N = 501
PLACED = ("idle_slow", "idle_longest_m", "idle_lift_m", "line_peak")
"""Measures that describe a pass rather than a difference."""


def hand_made() -> tuple[Trace, Zone]:
    """Brake from 100 m, off at 180 m; 20 m/s at 200 m; throttle from 220 m, full at 240 m; right turn of R 50 m."""
    u = np.arange(float(N))
    energy = np.where(u < 100.0, 1250.0, np.where(u < 200.0, 1250.0 - 10.5 * (u - 100.0), 200.0 + 4.0 * (u - 200.0)))
    v = np.sqrt(2.0 * np.minimum(energy, 1250.0))
    t = np.concatenate([[0.0], np.cumsum(2.0 / (v[1:] + v[:-1]))])
    brake = np.interp(u, [99.0, 101.0, 178.0, 182.0], [0.0, 0.8, 0.8, 0.0])
    throttle = np.interp(u, [95.0, 97.0, 220.0, 240.0], [1.0, 0.0, 0.0, 1.0])
    curvature = -0.02 * np.interp(u, [140.0, 160.0, 240.0, 260.0], [0.0, 1.0, 1.0, 0.0])
    none = np.full(N, np.nan)
    trace = Trace(u, t, v, throttle, brake, np.full(N, 3.0), np.zeros(N), curvature, np.zeros(N), none)
    corner = Corner("one", "right", 100.0, 150.0, 200.0, 240.0, 260.0)
    return trace, zones((corner,), 500.0, closed=False)[0]


def gaps(pass_: Trace) -> dict[str, float]:
    """Contrast of ``pass_`` with the hand-made reference."""
    trace, zone = hand_made()
    return compare_to_reference(pass_, trace, zone, 0.0, measure(trace, zone))


def test_every_measure_is_where_it_was_put() -> None:
    """Each place, speed and share of the hand-made trace comes out as it went in."""
    got = measure(*hand_made())
    assert_allclose(got["brake_start_m"], 99.2, atol=1e-9)  # a tenth of the peak of 0.8 on the way up
    assert_allclose(got["brake_release_m"], 181.6, atol=1e-9)
    assert_allclose(got["brake_peak"], 0.8)
    assert_allclose(got["min_speed_mps"], 20.0)
    assert_allclose(got["min_speed_at_m"], 200.0)
    assert_allclose(got["throttle_start_m"], 226.0, atol=1e-9)  # three tenths of the pedal
    assert_allclose(got["full_throttle_m"], 239.0, atol=1e-9)
    assert_allclose(got["turn_in_m"], 146.0, atol=1e-9)  # three tenths of the largest curvature
    assert_allclose(got["exit_speed_mps"], np.sqrt(2.0 * 440.0))
    assert (3.0, 0.0) == (got["gear_min"], got["wheels_off"])


@pytest.mark.parametrize(("dips", "reversals"), [(0, 0.0), (1, 2.0), (2, 4.0)])
def test_corrections_are_the_reversals_beyond_the_corners_own(dips: int, reversals: float) -> None:
    """Wound on to 0.4 and off again, slowly; each correction of 0.1 between is two reversals more."""
    trace, zone = hand_made()
    steer = np.interp(trace.u_m, [140.0, 170.0, 225.0, 260.0], [0.0, 0.4, 0.4, 0.0])
    for k in range(dips):
        steer -= 0.1 * np.exp(-(((trace.u_m - 185.0 - 25.0 * k) / 5.0) ** 2))
    assert reversals == measure(replace(trace, steer=steer), zone)["corrections"]


@pytest.mark.parametrize(
    ("on", "hits"),
    [
        ([], 0.0),
        ([(120, 121)], 1.0),
        ([(120, 126), (133, 140)], 1.0),
        ([(120, 126), (135, 140)], 2.0),
        ([(20, 30)], 0.0),
    ],
)
def test_interventions_of_a_driver_aid_are_counted_in_the_zone(on: list[tuple[int, int]], hits: float) -> None:
    """Pulses up to 8 m apart are one intervention; those before the corner's zone do not count."""
    trace, zone = hand_made()
    flag = np.zeros(N)
    for first, last in on:
        flag[first:last] = 1.0
    got = measure(replace(trace, anti_lock=flag), zone)
    assert hits == got["anti_lock_hits"]
    assert got["traction_control_hits"] != got["traction_control_hits"]


def test_absent_channels_give_no_measure() -> None:
    """Without pedals or positions what needs them is NaN, and the rest is there."""
    trace, zone = hand_made()
    none = np.full(N, np.nan)
    bare = replace(trace, throttle=none, brake=none, gear=none, offset_m=none, curvature_pm=none, wheels_off=none)
    got = measure(bare, zone)
    known = {name for name, value in got.items() if value == value}
    assert {"min_speed_mps", "min_speed_at_m", "exit_speed_mps", "turn_in_speed_mps"} == known


def test_a_reference_does_not_differ_from_itself() -> None:
    """Every contrast of a trace with itself is 0, where it is known."""
    got = gaps(hand_made()[0])
    differences = {k: v for k, v in got.items() if k not in PLACED}
    assert_allclose([v for v in differences.values() if v == v], 0.0, atol=1e-9)


@pytest.mark.parametrize("metres", [5.0, 12.0, 25.0])
def test_the_same_opening_later_is_late_by_as_much(metres: float) -> None:
    """A throttle trace moved along by x is x late."""
    trace, _ = hand_made()
    later = np.interp(trace.u_m, [95.0, 97.0, 220.0 + metres, 240.0 + metres], [1.0, 0.0, 0.0, 1.0])
    assert_allclose(gaps(replace(trace, throttle=later))["drive_late_m"], metres, atol=0.05)


@pytest.mark.parametrize("metres", [15.0, 30.0])
def test_a_withheld_opening_is_late_by_the_metres_it_was_withheld(metres: float) -> None:
    """Nothing for x metres and then at once what the reference gives there: x late, whatever the reference's ramp."""
    trace, _ = hand_made()
    held = np.where((trace.u_m >= 220.0) & (trace.u_m < 220.0 + metres), 0.0, trace.throttle)
    assert_allclose(gaps(replace(trace, throttle=held))["drive_late_m"], metres, atol=2.0)


def test_a_softer_throttle_is_soft_and_not_late() -> None:
    """Four tenths of the pedal left unused: a share of 0.4, and no delay but what that comes to."""
    trace, _ = hand_made()
    got = gaps(replace(trace, throttle=np.where(trace.u_m > 150.0, 0.6 * trace.throttle, trace.throttle)))
    assert_allclose(got["drive_share"], 0.4, atol=0.02)
    # half of the pedal, the highest level looked for, is reached that much later on the softer ramp
    assert_allclose(got["drive_late_m"], 20.0 * (0.5 / 0.6 - 0.5), atol=0.05)  # an area over nodes


def test_a_gear_change_on_the_way_out_is_no_later_opening() -> None:
    """The throttle away for 6 m (under 0.3 s) at other places in the two: neither a new beginning nor late."""
    trace, zone = hand_made()

    def cut(at_m: float) -> Trace:
        return replace(trace, throttle=np.where((trace.u_m >= at_m) & (trace.u_m < at_m + 6.0), 0.0, trace.throttle))

    ours, mine = cut(232.0), cut(236.0)
    assert_allclose(measure(ours, zone)["throttle_start_m"], measure(trace, zone)["throttle_start_m"])
    assert abs(compare_to_reference(mine, ours, zone, 0.0, measure(ours, zone))["drive_late_m"]) < FLOOR["drive_late_m"]


def test_a_throttle_held_about_a_level_is_not_late_for_that() -> None:
    """Held at 0.28 here and at 0.34 there for 60 m, both opened at the same place: no delay."""
    trace, zone = hand_made()

    def hold(level: float) -> Trace:
        places = [95.0, 97.0, 200.0, 202.0, 260.0, 270.0]
        return replace(trace, throttle=np.interp(trace.u_m, places, [1.0, 0.0, 0.0, level, level, 1.0]))

    ours, mine = hold(0.34), hold(0.28)
    assert_allclose(compare_to_reference(mine, ours, zone, 0.0, measure(ours, zone))["drive_late_m"], 0.0, atol=1.0)


def test_throttle_given_too_soon_does_not_make_good_for_what_is_missing_after() -> None:
    """Half throttle from 195 to 215 m, nothing until 245 m: as late as the same opening without it."""
    trace, _ = hand_made()
    late = np.interp(trace.u_m, [95.0, 97.0, 245.0, 247.0], [1.0, 0.0, 0.0, 1.0])
    soon = np.where((trace.u_m >= 195.0) & (trace.u_m < 215.0), 0.5, late)
    alone, both = (gaps(replace(trace, throttle=x))["drive_late_m"] for x in (late, soon))
    assert alone > 15.0
    assert_allclose(both, alone, atol=0.5)


def test_a_lift_before_the_zone_is_its_own_corners_and_no_slow_arrival() -> None:
    """Slower at the zone's start because the throttle was left 30 m before it: arrival is taken where it was left."""
    trace, zone = hand_made()
    left = zone.start_m - 30.0
    rolled = np.clip(trace.u_m - left, 0.0, None)
    speed = np.minimum(trace.speed_mps, np.sqrt(2500.0 - 2.0 * 1.5 * rolled))
    throttle = np.where((trace.u_m >= left) & (trace.u_m < 97.0), 0.0, trace.throttle)
    lifted = gaps(replace(trace, speed_mps=speed, throttle=throttle))
    assert lifted["arrival_mps"] > -0.1
    # the same speed brought along with the throttle open was lost before
    assert gaps(replace(trace, speed_mps=speed))["arrival_mps"] < -0.5


def test_metres_without_a_pedal_are_counted_where_they_lie() -> None:
    """Brake let go 20 m sooner: 20 m more before the throttle's place, none after it."""
    trace, _ = hand_made()
    sooner = np.interp(trace.u_m, [99.0, 101.0, 158.0, 162.0], [0.0, 0.8, 0.8, 0.0])
    got = gaps(replace(trace, brake=sooner))
    assert_allclose((got["idle_before_m"], got["idle_after_m"]), (20.0, 0.0), atol=1.0)


@pytest.mark.parametrize(("part", "at_m"), [("entry_line_m", 155.0), ("apex_line_m", 200.0), ("exit_line_m", 255.0)])
def test_a_path_beside_the_reference_shows_in_its_part(part: str, at_m: float) -> None:
    """2 m to the outside (left of a right turn) around one place is 2 m in that part, less a little for smoothing."""
    trace, _ = hand_made()
    beside = 2.0 * np.exp(-(((trace.u_m - at_m) / 25.0) ** 2))
    got = gaps(replace(trace, offset_m=beside))
    assert_allclose(got[part], 2.0, atol=0.15)
    assert {"entry_line_m": -1.0, "apex_line_m": 0.0, "exit_line_m": 1.0}[part] == got["line_peak"]


@pytest.mark.parametrize("metres", [-10.0, 6.0, 14.0])
def test_the_bend_made_later_is_turned_in_later(metres: float) -> None:
    """A path that is the reference's moved x along the way in: d sin(angle) to the outside, found as d."""
    trace, _ = hand_made()
    angle = np.cumsum(-trace.curvature_pm)
    beside = metres * np.sin(np.minimum(angle, 0.5))
    assert_allclose(gaps(replace(trace, offset_m=beside))["turn_in_m"], metres, rtol=0.1)


@pytest.mark.parametrize("sigma", [0.05, 0.3, 1.0])
def test_noise_is_measured_on_a_signal_that_moves(sigma: float) -> None:
    """White noise on a smooth signal is estimated within 10 %, and smoothing over the span asked for brings it down."""
    rng = np.random.default_rng(4)
    x = np.linspace(0.0, 6.0, 4000)
    clean = 20.0 * np.sin(x)
    noisy = clean + sigma * rng.standard_normal(len(x))
    assert_allclose(white_noise(noisy), sigma, rtol=0.1)
    wanted = sigma / 5.0
    left = np.std((smooth(noisy, span_for(sigma, wanted)) - clean)[200:-200])
    assert left < 1.1 * wanted


def test_curvature_noise_follows_the_published_law() -> None:
    """Three points L apart with noise sigma: the curvature's is sqrt(6) sigma / L^2 (derived; simulation agrees)."""
    rng = np.random.default_rng(1)
    sigma, span = 0.3, 11.0
    left, here, right = (sigma * rng.standard_normal(200_000) for _ in range(3))
    assert_allclose(np.std((left - 2.0 * here + right) / span**2), np.sqrt(6.0) * sigma / span**2, rtol=0.01)
