"""The contract of every feed as one test class: each adapter's tests inherit it and say how to reach the adapter."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from typing import Protocol

import pytest

from feeds.base import Feed
from feeds.errors import FeedEnded
from feeds.frame import Frame


class Source(Protocol):
    """The far end of a feed in a test."""

    def open(self) -> Feed:
        """A feed on this source; the same source may be opened again after the feed was closed."""

    def give(self, feed: Feed, frames: Sequence[Frame]) -> None:
        """Make the frames come in."""

    def give_garbage(self, feed: Feed) -> None:
        """Make something come in that holds no frame."""

    def close(self) -> None:
        """Give back what the far end holds."""


def some_frames(n: int = 40, start_s: float = 0.0, rate_hz: float = 20.0) -> list[Frame]:
    """A car on a straight at 30 m/s."""
    return [Frame(start_s + i / rate_hz, x_m=30.0 * i / rate_hz, y_m=5.0, speed_mps=30.0, lap=1) for i in range(n)]


def collect(feed: Feed, n: int, within_s: float = 5.0) -> list[Frame]:
    """Up to ``n`` frames; fewer when the source ends or the time is over."""
    out: list[Frame] = []
    deadline = time.monotonic() + within_s
    try:
        while len(out) < n and time.monotonic() < deadline:
            out += feed.read_many(n - len(out), 0.05)
    except FeedEnded:
        pass
    return out


class FeedContract:
    """Tests every adapter must pass; a subclass has the fixture ``source``.

    ``clock_tolerance_s`` is how exactly the source can carry a time.
    """

    clock_tolerance_s = 1e-9

    def test_order(self, source: Source) -> None:
        """Frames come out in the order and with the times they were given."""
        frames = some_frames()
        with source.open() as feed:
            source.give(feed, frames)
            got = collect(feed, len(frames))
        first = got[0].t_s - frames[0].t_s  # a source may count its time from another start
        assert len(frames) == len(got)
        assert [f.t_s for f in frames] == pytest.approx([f.t_s - first for f in got], abs=self.clock_tolerance_s)

    def test_read_gives_what_read_many_gives(self, source: Source) -> None:
        """One at a time or many at once: the same frames."""
        frames = some_frames()
        with source.open() as feed:
            source.give(feed, frames)
            head = [feed.read(2.0) for _ in range(10)]
            tail = collect(feed, len(frames) - 10)
        assert None not in head
        assert len(frames) == len(head) + len(tail)
        times = [f.t_s for f in head + tail if f is not None]
        assert sorted(times) == times

    def test_time_out(self, source: Source) -> None:
        """Without data ``read`` gives None (or the end) and does not wait much longer than it was told."""
        with source.open() as feed:
            start = time.monotonic()
            try:
                got = feed.read(0.05)
            except FeedEnded:
                got = None
            assert None is got
            assert time.monotonic() - start < 1.0
            try:
                many = feed.read_many(10, 0.0)
            except FeedEnded:
                many = []
            assert [] == many

    def test_garbage_is_counted_and_survived(self, source: Source) -> None:
        """Data without a frame raises nothing, is counted, and later frames arrive."""
        frames = some_frames()
        with source.open() as feed:
            source.give(feed, frames[:20])
            source.give_garbage(feed)
            source.give(feed, frames[20:])
            got = collect(feed, len(frames), within_s=2.0)
            counted = {k: v for k, v in feed.counters.items() if k not in ("received", "frames")}
        assert len(got) >= 20
        assert counted, feed.counters
        assert got[-1].t_s - got[0].t_s > 0.5 * (frames[-1].t_s - frames[0].t_s)

    def test_closed_feed_has_ended(self, source: Source) -> None:
        """Closing twice is allowed; a closed feed says that it ended."""
        feed = source.open()
        feed.close()
        feed.close()
        with pytest.raises(FeedEnded):
            feed.read(0.0)
        with pytest.raises(FeedEnded):
            feed.read_many(5, 0.0)

    def test_restart(self, source: Source) -> None:
        """After a close the same source can be opened again and gives frames."""
        source.open().close()
        frames = some_frames()
        with source.open() as feed:
            source.give(feed, frames)
            assert len(frames) == len(collect(feed, len(frames)))

    def test_nothing_stays_open(self, source: Source) -> None:
        """Open and close leave as many files and sockets open as there were before."""
        source.open().close()
        before = len(os.listdir("/proc/self/fd"))
        for _ in range(3):
            source.open().close()
        assert before == len(os.listdir("/proc/self/fd"))

    def test_describes_itself(self, source: Source) -> None:
        """A feed has a name, says whether it is live and which channels it gives once frames came."""
        with source.open() as feed:
            source.give(feed, some_frames())
            collect(feed, 40)
            assert feed.name
            assert isinstance(feed.live, bool)
            assert isinstance(feed.real_car, bool)
            assert {"t_s", "speed_mps"} <= feed.channels.given
