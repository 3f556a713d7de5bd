from __future__ import annotations

import math
import socket

import msgspec
import numpy as np
import pytest
from feeds_contract import collect
from feeds_loop import Loop

from feeds.frame import Frame
from feeds.infer import Completer, LivePedals, pedals_of_record, speed_noise
from feeds.messages import encode
from feeds.udp import UdpFeed

LOOP = Loop()


def heavy_brakings(brake: np.ndarray, rate_hz: float) -> list[int]:
    """The first sample of each braking that is held for 0.4 s after 0.8 s without any."""
    starts = np.flatnonzero((brake[1:] > 0.5) & (brake[:-1] <= 0.5))
    return [
        int(i)
        for i in starts
        if i > rate_hz and (brake[int(i - 0.8 * rate_hz) : i] < 0.05).all()
        and (brake[i + 1 : int(i + 0.4 * rate_hz)] > 0.4).all()
    ]  # fmt: skip


@pytest.mark.parametrize(("rate_hz", "noise_mps"), [(10.0, 0.05), (10.0, 0.2), (25.0, 0.05), (25.0, 0.2), (60.0, 0.0)])
def test_braking_is_found_in_noisy_speeds(rate_hz: float, noise_mps: float) -> None:
    """Each braking is found, from a record within a sample, live within a quarter of a second; none is invented."""
    frames = LOOP.frames(3, rate_hz)
    rng = np.random.default_rng(5)
    t = np.array([f.t_s for f in frames])
    speed = np.array([f.speed_mps for f in frames]) + rng.normal(0, noise_mps, len(frames))
    true = np.array([f.brake for f in frames])
    driven = np.array([f.throttle for f in frames]) > 0.3
    live = LivePedals()
    found = {
        "record": (pedals_of_record(t, speed)[1], 0.05),
        "live": (np.array([live.push(a, b)[1] for a, b in zip(t, speed, strict=True)]), 0.2),
    }
    starts = heavy_brakings(true, rate_hz)
    assert len(starts) >= 9
    for name, (brake, within_s) in found.items():
        late = []
        for i in starts:
            first = max(int(i - 0.8 * rate_hz), 0)
            pressed = np.flatnonzero(brake[first : int(i + 1.2 * rate_hz)] > 0.3)
            assert len(pressed), name
            late.append((pressed[0] + first - i - 1) / rate_hz)
        assert abs(float(np.median(late))) <= within_s, name
        assert np.mean(brake[driven & (true == 0)] > 0.1) < 0.005, name


@pytest.mark.parametrize("noise_mps", [0.05, 0.1, 0.3])
def test_noise_is_measured(noise_mps: float) -> None:
    """The noise of the speeds is told from the speeds themselves, within a quarter."""
    speed = np.array([f.speed_mps for f in LOOP.frames(2, 10.0)])
    noisy = speed + np.random.default_rng(2).normal(0, noise_mps, len(speed))
    assert noise_mps == pytest.approx(speed_noise(noisy), rel=0.25)


def test_gaps_and_absent_speeds() -> None:
    """A gap restarts the filter; pedals are absent where the speed is; no data gives none."""
    frames = LOOP.frames(1, 10.0)
    t = np.array([f.t_s for f in frames]) + np.where(np.arange(len(frames)) > 300, 50.0, 0.0)
    speed = np.array([f.speed_mps for f in frames])
    speed[100:110] = np.nan
    throttle, brake = pedals_of_record(t, speed)
    assert np.isnan(throttle[100:110]).all()
    assert np.isfinite(np.delete(brake, np.arange(100, 110))).all()
    assert [0, 0] == [len(a) for a in pedals_of_record(np.empty(0), np.empty(0))]


@pytest.mark.parametrize("place", [("x_m", "y_m"), ("lap_distance_m",)])
def test_speed_from_place(place: tuple[str, ...]) -> None:
    """Without a speed channel the place tells it, over the line too, within 1 m/s at 60 Hz."""
    completer = Completer(frozenset({"t_s", *place}))
    assert {"speed_mps", "throttle", "brake"} == completer.adds
    errors = []
    for frame in LOOP.frames(1.5, 60.0, start_m=2500.0):
        bare = Frame(frame.t_s, **{name: getattr(frame, name) for name in place})
        got = completer.complete(bare)
        if frame.t_s > 0.1:
            errors.append(abs(got.speed_mps - frame.speed_mps))
    assert 1.0 > float(np.nanmax(errors))
    assert not np.isnan(errors).any()


def test_a_feed_marks_what_it_infers() -> None:
    """A sender without pedals: after its first frames the feed knows, fills the pedals in and says so."""
    frames = LOOP.frames(1, 60.0)[:400]
    with UdpFeed(port=0) as feed, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        before = feed.channels
        for frame in frames:
            bare = msgspec.structs.replace(frame, throttle=math.nan, brake=math.nan)
            out.sendto(encode(bare), ("127.0.0.1", feed.port))
        got = collect(feed, 400)
        assert [False, True] == [before.settled, feed.channels.settled]
        assert {"throttle", "brake"} == feed.channels.inferred
    assert math.isnan(got[10].throttle)
    assert not math.isnan(got[-1].throttle)


def test_nothing_is_inferred_beside_what_is_measured() -> None:
    """A sender with pedals and speed gets its own values, and an absent one among them stays absent."""
    given = frozenset({"t_s", "x_m", "y_m", "speed_mps", "throttle", "brake"})
    frame = Frame(1.0, x_m=1.0, y_m=1.0)
    assert frame is Completer(given).complete(frame)
