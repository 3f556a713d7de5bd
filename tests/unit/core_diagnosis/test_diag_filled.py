"""A receiver's samples filled up to a higher rate tell of a driver what they told as they were measured."""

from __future__ import annotations

from functools import cache

import diag_setup  # noqa: F401 - puts the tools on the path
import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from simulated import columns_of

from coach.app.rerun.rerun import Rerun, rerun, settle_findings
from coach.app.review.debrief import debrief
from coach.app.setup import Setup
from coach.core.columns import Columns
from coach.core.cue.rules import RuleSet
from coach.profile.store import load_plan
from feeds.practice import FaultPlan, Habit, Noise, Scatter, faultless, hollow_ridge, simulate

FAULTS = (
    (0, "brake_early", 30.0),
    (1, "slow_middle", 3.0),
    (3, "throttle_late", 30.0),
    (5, "brake_early", 30.0),
    (2, "apex_missed", 2.5),
)
LAP_S = 0.002
"""Lap times of lines and splines; held positions are up to a sample old, 40 ms at 25 Hz."""
HELD_LAP_S = 0.004
PASS_S = 0.01
MEASURED = ("x_m", "y_m", "speed_mps")


@cache
def measured(noise: bool = True) -> Columns:
    """Eleven laps at 10 Hz, with 0.3 m and 0.1 m/s of noise or none; from the sixth on one fault a lap."""
    habits = tuple(Habit(c, fault, amount, laps=(lap,)) for lap, (c, fault, amount) in enumerate(FAULTS, start=6))
    run = simulate(
        faultless(hollow_ridge()), 11, rate_hz=10.0, seed=3, faults=FaultPlan(habits), scatter=Scatter(1.0, 0.15, 0.1),
        noise=Noise(position_m=0.3, speed_mps=0.1) if noise else None,
    )  # fmt: skip
    return columns_of(run)


def refilled(c: Columns, rate_hz: float, how: str) -> Columns:
    """All channels at a higher rate: positions and speed by "lines", "spline" or held; pedals by lines, counts held."""
    t = c["t_s"]
    out = Columns.empty(int((t[-1] - t[0]) * rate_hz))
    now = out["t_s"]
    now[:] = t[0] + np.arange(len(out)) / rate_hz
    last = np.searchsorted(t, now + 1e-9, side="right") - 1
    for name in (*MEASURED, "throttle", "brake", "steer"):
        if how == "spline" and name in MEASURED:
            out[name][:] = CubicSpline(t, c[name])(now)
        elif how == "held" and name in MEASURED:
            out[name][:] = c[name][last]
        else:
            out[name][:] = np.interp(now, t, c[name])
    for name in ("lap", "lap_distance_m", "gear", "wheels_off", "in_pit"):
        out[name][:] = c[name][last]
    return out


def setup() -> Setup:
    plan = load_plan("hollow_ridge")
    return Setup("receiver", plan.reference, plan.corners, RuleSet("none", "improving", ()))


@cache
def driven(rate_hz: float = 10.0, how: str = "measured") -> Rerun:
    return rerun([measured() if how == "measured" else refilled(measured(), rate_hz, how)], setup())


def findings(result: Rerun) -> dict[tuple[int, int, str], float]:
    return {(p.lap, p.corner, f.fault): f.amount for p in settle_findings(result) for f in p.findings}


@pytest.mark.parametrize(("rate_hz", "how"), [(25.0, "lines"), (60.0, "spline"), (60.0, "held"), (25.0, "held")])
def test_a_filled_session_is_judged_like_the_measured_one(rate_hz: float, how: str) -> None:
    """Lap times within 2 ms (held at 25 Hz: 4), losses within 10 ms, the same findings within 15 %."""
    ours, theirs = driven(rate_hz, how), driven()
    times = [[lap.time_s for lap in r.events.laps] for r in (ours, theirs)]
    assert times[0] == pytest.approx(times[1], abs=HELD_LAP_S if (how, rate_hz) == ("held", 25.0) else LAP_S)
    losses = [{(p.lap, p.corner): p.loss_s + p.loss_straight_s for p in r.events.passes} for r in (ours, theirs)]
    assert losses[0] == pytest.approx(losses[1], abs=PASS_S)
    assert {key[:3] for key in findings(theirs)} >= {(lap, c, f) for lap, (c, f, _) in enumerate(FAULTS, start=6)}
    assert findings(ours) == pytest.approx(findings(theirs), rel=0.15)


@pytest.mark.parametrize(("rate_hz", "how"), [(25.0, "lines"), (60.0, "spline"), (60.0, "held"), (25.0, "held")])
def test_the_debrief_says_so_with_the_true_rate(rate_hz: float, how: str) -> None:
    notes = debrief(driven(rate_hz, how), setup()).notes
    wanted = f"positions come {rate_hz:.0f} times a second but were measured about 10 times"
    assert [note.startswith(wanted) for note in notes if note.startswith("positions")] == [True]


def test_measured_samples_are_not_doubted() -> None:
    """The noise of a pass is that of its third differences as ever, and no note is written."""
    assert driven().sampled == ""
    found = [d.trace.place_noise_m for d in driven().pipeline.kept or [] if d.trace is not None]
    assert float(np.median(found)) == pytest.approx(0.3, rel=0.1)
    assert float(np.quantile(found, 0.9)) < 0.4
