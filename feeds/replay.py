"""A recorded session as a feed: in real time, N times as fast, or without waiting.

The reader never sleeps; the pacer schedules frames at absolute times.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from pathlib import Path
from typing import ClassVar

from feeds.base import Channels, Feed
from feeds.clock import Clock, Pacer
from feeds.errors import FeedEnded
from feeds.frame import Frame, frames_of
from feeds.frame_stream import FrameStreamReader


class ReplayFeed(Feed):
    """Plays the frame stream ``path`` (a session folder or the file itself) at ``speed`` (``math.inf``: at once).

    ``channels`` come from the record's header; without it they are learned from the frames.
    """

    name: ClassVar[str] = "replay"
    live = False

    def __init__(
        self,
        path: Path,
        speed: float = 1.0,
        *,
        channels: Channels | None = None,
        clock: Clock | None = None,
    ) -> None:
        # the record contains the channels inferred while recording
        super().__init__(clock, channels.given if channels else None, infer=False)
        if channels:
            self._inferred = channels.inferred
        self._pacer = Pacer(speed, self._clock)
        self._reader = FrameStreamReader(path)
        self._batches = self._reader.batches()
        self._waiting: deque[Frame] = deque()
        self._at_once = speed == float("inf")

    def _receive(self, timeout_s: float) -> Iterable[Frame] | None:
        if not self._waiting:
            self._fill()
        if self._at_once:
            frames, self._waiting = self._waiting, deque()
            return frames
        return (self._waiting.popleft(),) if self._pacer.wait(self._waiting[0].t_s, timeout_s) else None

    def _fill(self) -> None:
        for data in self._batches:
            self.counters.add("received", data.shape[1])
            self._waiting.extend(frames_of(data))
            if self._waiting:
                return
        if self._reader.lost_bytes:
            self.counters["cut_tail"] = self._reader.lost_bytes
        if self._reader.damaged:
            self.counters["damaged"] = self._reader.damaged
        raise FeedEnded(self.name)

    def _close(self) -> None:
        self._batches.close()  # type: ignore[attr-defined]  # it is a generator
        self._reader.close()
