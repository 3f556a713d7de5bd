from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from feeds.frame import Floats
from feeds.practice import SAME, UNITS, FaultPlan, Habit, SimRun, applies, faultless, hollow_ridge, simulate
from feeds.practice.faultless import Faultless

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))
from generated_circuits import generated_circuit

AMOUNTS = {
    "brake_early": 15.0, "brake_late": 6.0, "brake_soft": 0.25, "brake_long": 15.0, "turn_in_early": 8.0,
    "turn_in_late": 8.0, "apex_missed": 1.5, "slow_middle": 2.0, "coasting": 25.0, "throttle_late": 15.0,
    "throttle_soft": 0.3, "exit_narrow": 2.0, "exit_wide": 1.0, "gear_high": 1.0, "gear_low": 1.0,
}  # fmt: skip
CORNER = "Tollgate"


@pytest.fixture(scope="module")
def base() -> Faultless:
    return faultless(hollow_ridge())


@pytest.fixture(scope="module")
def clean(base: Faultless) -> SimRun:
    return simulate(base, 1, scatter=SAME, rate_hz=100.0)


def _with(base: Faultless, fault: str, amount: float | None = None) -> SimRun:
    habit = Habit(CORNER, fault, AMOUNTS[fault] if amount is None else amount, laps={1})
    return simulate(base, 1, scatter=SAME, rate_hz=100.0, faults=FaultPlan.of(habit))


class Seen:
    """One pass through the corner as channels tell it, by lap distance."""

    def __init__(self, run: SimRun, base: Faultless) -> None:
        corner = base.corners[base.corner(CORNER)]
        c = run.channels
        d = c["lap_distance_m"]
        here = (c["lap"] == 1) & (d > corner.brake_m - 200.0) & (d < corner.end_m + 150.0)
        self.c = {name: values[here] for name, values in c.items()}
        self.d = self.c["lap_distance_m"]
        points = np.column_stack([self.c["x_m"], self.c["y_m"]])
        self.offset: Floats = base.circuit.project(points, self.d)[1] * corner.sign
        brake = self.c["brake"]
        on = np.flatnonzero(brake > 0.05)
        self.brake_m = float(self.d[on[0]])
        self.peak = float(brake.max())
        self.release_m = float(self.d[on[-1]])
        k = int(np.argmin(self.c["speed_mps"]))
        self.slowest, self.slowest_m = float(self.c["speed_mps"][k]), float(self.d[k])
        after = self.d > self.release_m
        self.throttle_m = float(self.d[after][np.argmax(self.c["throttle"][after] > 0.05)])
        self.free_m = float(np.sum(np.diff(self.d)[((self.c["throttle"] < 0.05) & (brake < 0.02))[1:]]))
        at = corner.exit_m
        self.exit_speed = float(np.interp(at, self.d, self.c["speed_mps"]))
        self.exit_offset = float(np.interp(corner.outermost_m, self.d, self.offset))
        self.apex_offset = float(np.interp(corner.apex_m, self.d, self.offset))
        # where the wheel is turned half as far as it will be
        steer = self.c["steer"] * corner.sign
        rising = (self.d > corner.turn_in_m - 60) & (self.d < corner.apex_m)
        self.turn_m = float(np.interp(0.03, np.maximum.accumulate(steer[rising]), self.d[rising]))
        self.gear = float(np.interp(self.slowest_m + 5.0, self.d, self.c["gear"]))


@pytest.mark.parametrize("fault", list(UNITS))
def test_a_fault_costs_what_it_takes_from_the_lap(base: Faultless, clean: SimRun, fault: str) -> None:
    """Its truth is positive and is the difference in lap time; without it the truth is empty."""
    run = _with(base, fault)
    (truth,) = run.truth
    lost = float(run.lap_times_s[0] - clean.lap_times_s[0])
    assert (CORNER, fault, 1) == (truth.name, truth.fault, truth.lap)
    assert lost == pytest.approx(truth.cost_s, abs=0.003)
    assert truth.cost_s >= (0.0 if fault == "gear_high" else 0.01)
    assert () == clean.truth


@pytest.mark.parametrize("fault", ["brake_early", "brake_soft", "slow_middle", "throttle_late", "coasting"])
def test_more_of_a_fault_costs_more(base: Faultless, fault: str) -> None:
    """Cost rises with the amount."""
    costs = [_with(base, fault, AMOUNTS[fault] * share).truth[0].cost_s for share in (0.5, 1.0, 1.5)]
    assert sorted(costs) == costs


def test_brake_early_moves_the_brake_point_by_its_amount(base: Faultless, clean: SimRun) -> None:
    """As many metres earlier, the same pressure, and the same slowest speed."""
    usual, seen = Seen(clean, base), Seen(_with(base, "brake_early"), base)
    assert 15.0 == pytest.approx(usual.brake_m - seen.brake_m, abs=2.0)
    assert usual.peak == pytest.approx(seen.peak, abs=0.03)
    assert usual.slowest == pytest.approx(seen.slowest, abs=0.2)


def test_brake_late_runs_off_the_apex(base: Faultless, clean: SimRun) -> None:
    """As many metres later, wide of the apex, later on the throttle, slower out."""
    usual, seen = Seen(clean, base), Seen(_with(base, "brake_late"), base)
    assert 6.0 == pytest.approx(seen.brake_m - usual.brake_m, abs=1.5)
    assert seen.apex_offset < usual.apex_offset - 0.3
    assert seen.throttle_m > usual.throttle_m + 4.0
    assert seen.exit_speed < usual.exit_speed - 0.2


def test_brake_soft_presses_less_and_so_begins_earlier(base: Faultless, clean: SimRun) -> None:
    """The peak falls by the share, and the brake point comes before the usual one."""
    usual, seen = Seen(clean, base), Seen(_with(base, "brake_soft"), base)
    assert 0.25 == pytest.approx(1.0 - seen.peak / usual.peak, abs=0.03)
    assert usual.brake_m - seen.brake_m > 15.0


def test_brake_long_is_let_go_later(base: Faultless, clean: SimRun) -> None:
    """The brake is dragged on by its amount and the corner is slower for it."""
    usual, seen = Seen(clean, base), Seen(_with(base, "brake_long"), base)
    assert 15.0 == pytest.approx(seen.release_m - usual.release_m, abs=4.0)
    assert seen.slowest < usual.slowest - 0.5
    assert usual.brake_m == pytest.approx(seen.brake_m, abs=1.0)


def test_coasting_leaves_both_pedals_alone(base: Faultless, clean: SimRun) -> None:
    """More metres without a pedal, by about its amount."""
    usual, seen = Seen(clean, base), Seen(_with(base, "coasting"), base)
    assert 25.0 == pytest.approx(seen.free_m - usual.free_m, abs=7.0)


def test_throttle_late_waits_by_its_amount(base: Faultless, clean: SimRun) -> None:
    """The throttle opens as many metres later; braking is untouched."""
    usual, seen = Seen(clean, base), Seen(_with(base, "throttle_late"), base)
    assert 15.0 == pytest.approx(seen.throttle_m - usual.throttle_m, abs=4.0)
    assert usual.brake_m == pytest.approx(seen.brake_m, abs=0.5)
    assert seen.exit_speed < usual.exit_speed


def test_slow_middle_is_slower_by_its_amount(base: Faultless, clean: SimRun) -> None:
    """Lowest speed down by the amount, braking a little longer."""
    usual, seen = Seen(clean, base), Seen(_with(base, "slow_middle"), base)
    assert 2.0 == pytest.approx(usual.slowest - seen.slowest, abs=0.3)
    assert 0.0 < usual.brake_m - seen.brake_m < 15.0


@pytest.mark.parametrize(("fault", "sign"), [("turn_in_early", -1.0), ("turn_in_late", 1.0)])
def test_turn_in_moves(base: Faultless, clean: SimRun, fault: str, sign: float) -> None:
    """The wheel is turned about as many metres earlier or later."""
    usual, seen = Seen(clean, base), Seen(_with(base, fault), base)
    assert 8.0 == pytest.approx(sign * (seen.turn_m - usual.turn_m), abs=5.0)


def test_line_faults_move_the_line(base: Faultless, clean: SimRun) -> None:
    """apex_missed at the apex, exit_narrow and exit_wide at the exit, by their amounts."""
    usual = Seen(clean, base)
    assert 1.5 == pytest.approx(usual.apex_offset - Seen(_with(base, "apex_missed"), base).apex_offset, abs=0.05)
    assert 2.0 == pytest.approx(Seen(_with(base, "exit_narrow"), base).exit_offset - usual.exit_offset, abs=0.1)
    assert 1.0 == pytest.approx(usual.exit_offset - Seen(_with(base, "exit_wide"), base).exit_offset, abs=0.1)


def test_running_far_wide_puts_wheels_off(base: Faultless) -> None:
    """Beyond asphalt and kerb the wheels count as off."""
    assert 2.0 == _with(base, "exit_wide", 2.5).channels["wheels_off"].max()


def test_gears_are_off_by_one(base: Faultless, clean: SimRun) -> None:
    """Right after the slowest place, unless the engine forbids the lower one."""
    usual = Seen(clean, base)
    assert 1.0 == Seen(_with(base, "gear_high"), base).gear - usual.gear
    low = _with(base, "gear_low")
    assert low.truth[0].amount in (0.0, 1.0)
    assert -low.truth[0].amount == Seen(low, base).gear - usual.gear


def test_faults_do_not_touch_other_corners(base: Faultless, clean: SimRun) -> None:
    """Before the corner's straight nothing changes."""
    run = _with(base, "turn_in_late")
    n = int(np.sum((clean.channels["lap"] <= 1) & (clean.channels["lap_distance_m"] < 2700.0)))
    assert np.array_equal(clean.channels["x_m"][: n // 2], run.channels["x_m"][: n // 2])


def test_a_corner_on_the_finish_line_is_one_corner() -> None:
    """A layout whose finish line lies in a corner: corners stay in order of their apexes, each once."""
    base = faultless(generated_circuit(6, 4000.0))
    apexes = [c.apex_m for c in base.corners]
    assert sorted(apexes) == apexes
    assert all(0.0 <= apex < base.circuit.length_m for apex in apexes)
    assert any(c.turn_in_m < 0.0 or c.end_m > base.circuit.length_m for c in base.corners)


@pytest.mark.parametrize("seed", [1, 2])
def test_generated_circuits_have_faults_that_cost(seed: int) -> None:
    """On a layout nobody designed (random-track-generator, test use) main faults cost time at nearly every corner."""
    base = faultless(generated_circuit(seed, 3500.0))
    assert len(base.corners) >= 5
    for fault in ("brake_early", "slow_middle", "throttle_late", "brake_late"):
        able = [c.index for c in base.corners if applies(base, c.index, fault) and c.braked]
        plan = FaultPlan.of(*(Habit(i, fault, AMOUNTS[fault], laps={1 + i % 3}) for i in able))
        costs = [t.cost_s for t in simulate(base, 3, scatter=SAME, faults=plan, rate_hz=20.0).truth]
        assert len(able) == len(costs)
        assert np.mean(np.array(costs) > 0.0) >= 0.8, fault


def test_three_faults_at_every_corner_can_be_driven(base: Faultless) -> None:
    """A driver who does much wrong is slow, but he neither stops on the road nor folds his line over itself."""
    rng = np.random.default_rng(1)
    slowest, least_step = 0.0, 1.0
    for seed in range(16):
        habits = []
        for corner in range(len(base.corners)):
            fits = [fault for fault in AMOUNTS if applies(base, corner, fault)]
            chosen = rng.choice(fits, 3, replace=False).tolist()
            habits += [Habit(corner, fault, 1.6 * AMOUNTS[fault]) for fault in chosen]
        run = simulate(base, 1, seed=seed, rate_hz=10.0, faults=FaultPlan(tuple(habits)))
        slowest = max(slowest, float(run.lap_times_s[0]))
        least_step = min(least_step, min(float(s.path.step_m.min()) for s in run.stretches))
    assert base.lap_time_s * 1.05 < slowest < base.lap_time_s * 1.3
    assert least_step > 0.2 * base.circuit.step_m


@pytest.mark.parametrize(("fault", "amount"), [("lift", 60.0), ("two_stabs", 15.0), ("wavering", 0.3)])
def test_a_fault_the_coach_has_no_name_for_costs_time_too(base: Faultless, fault: str, amount: float) -> None:
    """It is driven, it costs something, and the lap is otherwise the same."""
    run = simulate(base, 1, scatter=SAME, rate_hz=20.0, faults=FaultPlan.of(Habit(CORNER, fault, amount, laps={1})))
    assert fault not in UNITS
    assert applies(base, base.corner(CORNER), fault)
    assert [fault] == [t.fault for t in run.truth]
    assert 0.03 < run.truth[0].cost_s < 2.0
    assert base.lap_time_s + run.truth[0].cost_s == pytest.approx(float(run.lap_times_s[0]), abs=0.02)
