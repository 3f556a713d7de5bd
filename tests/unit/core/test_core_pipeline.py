"""The whole core: the same answer however frames are cut, whatever they hold."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import msgspec
import numpy as np
import pytest
from core_setup import mixed_rules, pipeline, plan, run_chunks, same, session
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st
from simulated import columns_of

from coach.core.columns import Columns
from coach.core.locate.frame_buffer import FrameBuffer
from coach.core.measure.trace import Trace, drive_trace
from coach.core.pipeline import Events
from coach.core.track.reference import Reference
from coach.profile.rule_files import load_rules
from feeds.frame import CHANNELS
from feeds.practice import faultless, hollow_ridge, simulate

# no shrinking: an example takes a second, and what it printed is enough to run it again
FEW = settings(max_examples=3, phases=(Phase.explicit, Phase.generate), derandomize=True)


def spoil(columns: Columns, rng: np.random.Generator, what: list[str]) -> Columns:
    """The session with the troubles asked for."""
    data = columns.data.copy()
    rows = {name: i for i, name in enumerate(CHANNELS)}
    place = [rows["x_m"], rows["y_m"]]
    for kind in what:
        n = data.shape[1]
        at = int(rng.integers(n // 10, n))
        some = np.flatnonzero(rng.random(n) < 0.02)
        if kind == "drop":
            data = np.delete(data, some, axis=1)
        elif kind == "double":
            data = np.repeat(data, 1 + (rng.random(n) < 0.05), axis=1)
        elif kind == "nan":
            data[rng.integers(0, data.shape[0], len(some)), some] = np.nan
        elif kind == "huge":
            data[rng.integers(0, data.shape[0], len(some)), some] = rng.choice([1e300, -1e300, np.inf, -np.inf, 1e12])
        elif kind == "backward":
            data[rows["t_s"], some] -= rng.uniform(0.0, 30.0, len(some))
        elif kind == "reorder":
            data = data[:, np.argsort(np.arange(n) + rng.uniform(0.0, 4.0, n), kind="stable")]
        elif kind == "restart":
            data[rows["t_s"], at:] -= data[rows["t_s"], at] - 1.0
        elif kind == "gap":
            data[rows["t_s"], at:] += 40.0
        elif kind == "teleport":
            data[rows["x_m"], at : at + 200] += 800.0
        elif kind == "swap":
            data[:, at:] = np.roll(data[:, at:], int(rng.integers(0, n)), axis=1)
        elif kind == "blind":
            data[place, at : at + int(rng.integers(1, 60))] = np.nan
        elif kind == "no speed":
            data[rows["speed_mps"], at : at + 400] = np.nan
        elif kind == "pit":
            data[rows["in_pit"], at : at + 300] = 1.0
        elif kind == "reverse":
            data[place, at : at + 200] = data[place, at : at + 200][:, ::-1]
    return Columns(np.ascontiguousarray(data))


KINDS = ["drop", "double", "nan", "huge", "backward", "reorder", "restart", "gap", "teleport", "swap", "blind",
         "no speed", "pit", "reverse"]  # fmt: skip


@pytest.mark.parametrize("noisy", [False, True])
def test_frames_one_by_one_give_what_one_batch_gives(noisy: bool) -> None:
    """Decisions, passes, laps and phases do not depend on how the frames were cut, clean and noisy."""
    columns = session(2, 20.0, noisy)
    whole, _ = run_chunks(columns, [])
    single, _ = run_chunks(columns, list(range(len(columns))))
    assert same(whole) == same(single)
    assert whole.decisions
    assert whole.passes
    assert len(whole.laps) == 2


@FEW
@example(seed=1, what=KINDS[:5], cuts=[100, 101, 900])
@example(seed=2, what=KINDS[5:10], cuts=[7, 700])
@example(seed=3, what=KINDS[10:], cuts=[1500])
@given(
    seed=st.integers(0, 2**32 - 1),
    what=st.lists(st.sampled_from(KINDS), min_size=1, max_size=4),
    cuts=st.lists(st.integers(1, 1800), max_size=12),
)
def test_any_cut_of_any_trouble_gives_the_same_answer(seed: int, what: list[str], cuts: list[int]) -> None:
    """Dropped, doubled, NaN, backward, reordered frames, restarts, teleports: nothing raises, and random cuts,
    single frames and one batch agree; while the car is lost, or was found less than a second ago, nothing is said."""
    columns = spoil(session(1, 20.0), np.random.default_rng(seed), what)
    whole, _ = run_chunks(columns, [])
    some, _ = run_chunks(columns, [c for c in cuts if c < len(columns)])
    assert same(whole) == same(some)
    assert same(whole) == same(watched(columns))


def watched(columns: Columns) -> Events:
    """Frame by frame; at each cue spoken the car is known, and has been for a second (the clock may be set back)."""
    p = pipeline()
    happened = Events()
    found_t = float("nan")
    for i in range(len(columns)):
        now = p.push_columns(columns.part(i, i + 1))
        for change in now.phases:
            found_t = change.t_s if change.event == "found" else float("nan") if change.event == "lost" else found_t
        for d in now.decisions:
            assert d.outcome == "held" or d.t_s >= found_t + 1.0 - 1e-9
        happened.add(now)
    happened.add(p.finish())
    return happened


@pytest.mark.parametrize("back_s", [5.0, 40.0, 1000.0])
@pytest.mark.parametrize("lost", [False, True])
def test_a_lap_in_which_the_clock_jumped_back_has_no_time(back_s: float, lost: bool) -> None:
    """A lap that began on the old clock is not reported with a time of the new one, be the car lost at the jump or
    not; the laps around it are."""
    data = session(3, 20.0).data.copy()
    rows = {name: i for i, name in enumerate(CHANNELS)}
    at = int(np.searchsorted(data[rows["lap"]], 2)) + 300
    data[rows["t_s"], at:] -= back_s
    if lost:
        data[[rows["x_m"], rows["y_m"]], at - 60 : at + 60] = np.nan
    whole, _ = run_chunks(Columns(data), [])
    assert [1, 3] == [lap.lap for lap in whole.laps]
    assert all(50.0 < lap.time_s < 150.0 for lap in whole.laps)


@pytest.mark.parametrize("single", [False, True])
def test_a_pass_that_can_not_be_measured_costs_its_lap_and_no_more(
    monkeypatch: pytest.MonkeyPatch, single: bool
) -> None:
    """Where frames are missing so that one pass has no trace, its lap has no time; the laps after it are measured."""
    columns = session(3, 20.0)
    reference, _ = plan()
    zone = pipeline().track_model.zones[2]
    real = drive_trace

    def torn(history: FrameBuffer, reference_: Reference, low_m: float, high_m: float) -> Trace | None:
        at = zone.next_start_m + reference.length_m
        return None if abs(high_m - at) < 1.0 else real(history, reference_, low_m, high_m)

    monkeypatch.setattr("coach.core.measure.passes.drive_trace", torn)
    whole, _ = run_chunks(columns, list(range(len(columns))) if single else [])
    assert [2, 3] == [lap.lap for lap in whole.laps]
    assert all(lap.valid for lap in whole.laps)
    for lap in whole.laps:
        assert lap.delta_s == pytest.approx(lap.time_s - reference.lap_time_s, abs=1e-6)


@pytest.mark.parametrize("noisy", [False, True])
def test_the_losses_of_a_lap_add_up_to_its_difference(noisy: bool) -> None:
    """Corner and straight losses of each lap sum to its time minus the reference's, to 1e-6 s; and the pieces
    cover it without a gap: each corner is there."""
    columns = session(3, 20.0, noisy)
    p = pipeline()
    happened = p.push_columns(columns)
    pieces = [*p.pieces()]
    happened.add(p.finish())
    pieces += p.pieces()
    reference, corners = plan()
    assert [1, 2, 3] == [lap.lap for lap in happened.laps]
    for lap in happened.laps:
        lost = sum(piece.loss_s for piece in pieces if piece.lap == lap.lap)
        assert lost == pytest.approx(lap.time_s - reference.lap_time_s, abs=1e-6)
        assert lap.delta_s == pytest.approx(lap.time_s - reference.lap_time_s, abs=1e-6)
        assert set(range(len(corners))) == {piece.corner for piece in pieces if piece.lap == lap.lap}


def test_an_incomplete_lap_has_no_time_and_a_spoiled_one_does_not_count() -> None:
    """A lap that begins in the middle is not reported; one with the pits or a lost stretch in it is, but not valid."""
    columns = session(2, 20.0)
    middle = np.searchsorted(columns["lap"], 1) + 400
    late = pipeline()
    happened = late.push_columns(columns.part(int(middle), len(columns)))
    happened.add(late.finish())
    assert [2] == [lap.lap for lap in happened.laps]
    data = columns.data.copy()
    data[CHANNELS.index("in_pit"), middle : middle + 40] = 1.0
    pitted = pipeline()
    happened = pitted.push_columns(Columns(data))
    happened.add(pitted.finish())
    assert [(1, False, "pit"), (2, True, "")] == [(x.lap, x.valid, x.why_invalid) for x in happened.laps]


def test_lap_times_are_the_simulator_s_own() -> None:
    """Timed from 60 Hz frames the laps are within 1 ms of the simulator's exact times (an oracle apart from the
    core: the integral over its own nodes)."""
    run = simulate(faultless(hollow_ridge()), 3, rate_hz=60.0, seed=5)
    p = pipeline()
    happened = p.push_columns(columns_of(run))
    happened.add(p.finish())
    assert [1, 2, 3] == [lap.lap for lap in happened.laps]
    for lap, exact in zip(happened.laps, run.lap_times_s, strict=True):
        assert lap.time_s == pytest.approx(float(exact), abs=1e-3)


def test_nothing_is_spoken_from_the_brake_to_the_end_of_a_corner() -> None:
    """Each cue but a safety caution begins in a phase that is not quiet, and never while the brake is on."""
    columns = session(3, 20.0)
    happened, _ = run_chunks(columns, [])
    spoken = [d for d in happened.decisions if d.outcome == "spoken" and not d.safety]
    assert len(spoken) > 10
    for d in spoken:
        before = [p.phase for p in happened.phases if p.t_s <= d.t_s]
        assert before[-1] not in {"braking", "entry", "exit", "lost"}
        assert columns["brake"][np.searchsorted(columns["t_s"], d.t_s)] <= 0.1


def test_every_cue_ends_before_what_it_is_about() -> None:
    """Each spoken cue ends at least 0.75 s before the time at which the car really was at its action (Green 2000:
    0.70-0.75 s when expected), 1.25 s when it was new."""
    columns = session(3, 20.0)
    happened, p = run_chunks(columns, [])
    lap_start = {lap.lap + 1: lap.t_s for lap in happened.laps}
    names = {c.name: i for i, c in enumerate(p.corners)}
    checked = 0
    for d in happened.decisions:
        if d.outcome != "spoken" or d.family == "confirmation" or d.lap not in lap_start:
            continue
        zone = p.track_model.zones[names[d.corner]]
        rows = np.flatnonzero((columns["t_s"] > lap_start[d.lap]) & (columns["lap_distance_m"] >= zone.quiet_m))
        if d.family != "caution" and len(rows) and zone.quiet_m < p.reference.length_m - 200.0:
            assert d.ends_t_s <= columns["t_s"][rows[0]] - 0.75
            checked += 1
    assert checked > 5


def test_a_plan_swapped_in_the_middle_is_taken_up_at_the_next_straight() -> None:
    """Other corners and rules hold from the end of the corner that is being driven; what the driver knows is kept;
    and the same swap at the same frame gives the same log, however the frames are cut."""
    columns = session(3, 20.0)
    reference, corners = plan()
    at = len(columns) // 2
    muted = tuple(msgspec.structs.replace(c, muted=frozenset(r.name for r in mixed_rules().rules)) for c in corners)

    def drive(cuts: list[int]) -> Events:
        p = pipeline()
        happened = Events()
        edges = [0, *sorted({*cuts, at}), len(columns)]
        for a, b in pairwise(edges):
            if a == at:
                known = dict(p.cue_engine.schedule.memory.heard)
                p.swap(muted[1:], load_rules("improving"))
                assert corners == p.corners
            happened.add(p.push_columns(columns.part(a, b)))
        assert muted[1:] == p.corners
        assert known.items() <= p.cue_engine.schedule.memory.heard.items()
        happened.add(p.finish())
        return happened

    happened = drive([])
    assert same(happened) == same(drive(list(range(at - 50, len(columns), 3))))
    t = columns["t_s"][at]
    assert {"muted"} >= {d.reason for d in happened.decisions if d.t_s > t + 30.0 and d.outcome == "held"} - {
        "within tolerance", "session over"
    }  # fmt: skip
    assert any(d.outcome == "spoken" for d in happened.decisions if d.t_s < t)
    assert not any(d.outcome == "spoken" for d in happened.decisions if d.t_s > t + 30.0)
    assert [1, 2, 3] == [lap.lap for lap in happened.laps]
    for lap in happened.laps:
        assert lap.delta_s == pytest.approx(lap.time_s - reference.lap_time_s, abs=1e-6)


def test_the_view_knows_what_a_glance_needs() -> None:
    """Before the first fix it waits; then it shows place, lap, next corner and a delta that agrees with the laps."""
    columns = session(1, 20.0)
    p = pipeline()
    assert "waiting" == p.view().state
    p.push_columns(columns.part(0, len(columns) - 40))
    view = p.view()
    assert ("live", 1) == (view.state, view.lap)
    assert view.next_corner
    assert view.predicted_s == pytest.approx(p.reference.lap_time_s + view.delta_s)


def test_another_reference_is_found_anew_however_frames_are_cut() -> None:
    """With a new reference the car is lost at the next straight and found on it: the same log for any cut, laps go on
    being timed, and the lap of the change does not count."""
    columns = session(3, 20.0)
    reference, corners = plan()
    at = int(np.searchsorted(columns["lap"], 1)) + 300

    def drive(cuts: list[int]) -> Events:
        p = pipeline()
        happened = Events()
        for a, b in pairwise([0, *sorted({*cuts, at}), len(columns)]):
            if a == at:
                p.swap(corners, mixed_rules(), replace(reference))
            happened.add(p.push_columns(columns.part(a, b)))
        happened.add(p.finish())
        return happened

    happened = drive([])
    assert same(happened) == same(drive(list(range(at, len(columns)))))
    assert same(happened) == same(drive(list(range(0, len(columns), 37))))
    assert 2 == sum(p.event == "found" for p in happened.phases)
    assert [(1, "plan changed"), (2, ""), (3, "")] == [(x.lap, x.why_invalid) for x in happened.laps]
