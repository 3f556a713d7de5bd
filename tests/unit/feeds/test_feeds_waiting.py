"""Polling of a feed: no needless system calls, and no frame left behind."""

from __future__ import annotations

import socket
from collections.abc import Iterable

import pytest

from feeds.base import Feed
from feeds.clock import ManualClock
from feeds.frame import Frame
from feeds.messages import encode
from feeds.udp import UdpFeed


class Timed(Feed):
    """Frames that arrive at given times of a clock that only waiting moves."""

    def __init__(self, at_s: list[float]) -> None:
        self.time = ManualClock()
        super().__init__(self.time, frozenset({"t_s", "x_m", "y_m", "speed_mps", "throttle", "brake"}))
        self.at_s = at_s
        self.looks = 0

    def _receive(self, timeout_s: float) -> Iterable[Frame] | None:
        self.looks += 1
        wait_s = self.at_s[0] - self.time.monotonic() if self.at_s else float("inf")
        if wait_s > timeout_s:
            self.time.sleep(timeout_s)
            return None
        self.time.sleep(max(wait_s, 0.0))
        return (Frame(self.at_s.pop(0), x_m=0.0, y_m=0.0, speed_mps=0.0, throttle=0.0, brake=0.0),)


def test_a_frame_that_was_waited_for_costs_one_look() -> None:
    """At 60 Hz the feed waits for each frame: one poll per frame, none for a second frame that cannot be there yet."""
    feed = Timed([i / 60 for i in range(1, 61)])
    taken = [len(feed.read_many(256, 0.05)) for _ in range(60)]
    assert [1] * 60 == taken
    assert 60 == feed.looks


def test_what_waits_is_taken_together() -> None:
    """After a pause of the engine all that came meanwhile is one batch, however much it is."""
    feed = Timed([0.001 * i for i in range(1, 101)])
    feed.time.sleep(1.0)
    assert 100 == len(feed.read_many(256, 0.05))
    feed = Timed([0.001 * i for i in range(1, 101)])
    feed.time.sleep(1.0)
    assert [60, 40] == [len(feed.read_many(60, 0.05)) for _ in range(2)]


def test_two_at_once_are_taken_one_after_the_other() -> None:
    """A second frame that came with the one that was waited for is there at the next look, without a wait."""
    feed = Timed([0.02, 0.02001, 0.04])
    first, second = feed.read_many(256, 0.05), feed.read_many(256, 0.05)
    assert [0.02, 0.02001] == [first[0].t_s, second[0].t_s]
    assert 0.03 > feed.time.monotonic()


def test_the_time_limit_is_set_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each change of a socket's limit is a call of the system: the same one is not set again for every datagram."""
    limits: list[float | None] = []
    before = socket.socket.settimeout

    def noted(self: socket.socket, value: float | None) -> None:
        limits.append(value)
        before(self, value)

    with UdpFeed(port=0) as feed, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        monkeypatch.setattr(socket.socket, "settimeout", noted)
        for i in range(20):
            out.sendto(encode(Frame(i / 60, x_m=0.5 * i, y_m=0.0, seq=i)), ("127.0.0.1", feed.port))
            assert 1 == len(feed.read_many(256, 5.0))
    assert [5.0] == limits
