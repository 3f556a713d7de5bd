"""The feed of a real car with a satellite receiver: it measures position and speed; throttle and brake are inferred."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import ClassVar, Final

from feeds.base import Channels, Feed
from feeds.clock import Clock, Pacer
from feeds.errors import FeedEnded
from feeds.frame import Frame
from feeds.nmea.epochs import Epochs, Quality
from feeds.nmea.sentences import LineSplitter, parse
from feeds.nmea.sources import FileSource, UdpSource, open_source
from feeds.plane import Plane, plane_of

_GIVEN: Final = frozenset({"t_s", "x_m", "y_m", "z_m", "lat_deg", "lon_deg"})


class NmeaFeed(Feed):
    """Reads ``source``: ``udp:HOST:PORT``, ``tcp:HOST:PORT``, ``serial:DEVICE[:BAUD]`` or ``file:PATH``.

    A file plays at ``speed`` times real time. ``latency_s`` is the receiver's delay from an epoch to its sentences;
    frames carry the times of the epochs. Raises FeedOpenError if the source cannot be opened.
    """

    name: ClassVar[str] = "nmea"
    real_car = True

    def __init__(
        self,
        source: str,
        *,
        speed: float = 1.0,
        origin: tuple[float, float] | None = None,
        latency_s: float = 0.1,
        quality: Quality | None = None,
        clock: Clock | None = None,
    ) -> None:
        super().__init__(clock, _GIVEN)
        self.latency_s = latency_s
        self._epochs = Epochs(self.counters, quality or Quality(), plane_of(origin))
        self._splitter = LineSplitter(self.counters)
        self._source = open_source(source, self.counters, self._clock)
        self.live = not isinstance(self._source, FileSource)
        self.port = self._source.port if isinstance(self._source, UdpSource) else 0
        self._pacer = Pacer(speed, self._clock)
        self._waiting: deque[Frame] = deque()
        self._has_speed = False

    @property
    def where(self) -> str:
        """Where the feed expects the sentences from."""
        return self._source.where

    @property
    def sender(self) -> str:
        """The sender of the last datagram."""
        return self._source.came_from if isinstance(self._source, UdpSource) else ""

    def remedy(self, kind: str) -> str:
        """Return the fault in the sentences, and how to fix it."""
        if kind in ("malformed", "bad_checksum"):
            what = "cannot be read" if kind == "malformed" else "arrive with wrong checksums"
            return f"sentences {what}: check cable and baud rate, and that the receiver sends NMEA 0183"
        return super().remedy(kind)

    @property
    def plane(self) -> Plane | None:
        """The plane in use; None before the first good fix."""
        return self._epochs.plane

    @property
    def channels(self) -> Channels:
        """Speed counts as inferred until a sentence contains one."""
        measured = {"speed_mps"} if self._has_speed else set()
        return Channels(_GIVEN | self._inferred, frozenset(self._inferred - measured))

    def _receive(self, timeout_s: float) -> Iterable[Frame] | None:
        if not self._waiting:
            try:
                data = self._source.read(timeout_s)
            except FeedEnded:
                self._waiting.extend(self._decode(b"\n"))
                self._waiting.extend(self._epochs.finish())
                if not self._waiting:
                    raise
            else:
                if data is None:
                    return None
                self._waiting.extend(self._decode(data))
        if self.live or not self._waiting:
            frames, self._waiting = self._waiting, deque()
            return frames
        return (self._waiting.popleft(),) if self._pacer.wait(self._waiting[0].t_s, timeout_s) else None

    def _decode(self, data: bytes) -> list[Frame]:
        frames: list[Frame] = []
        for line in self._splitter.push(data):
            sentence = parse(line, self.counters)
            if sentence is not None:
                self._source.heard()
                self._has_speed |= sentence.speed_mps == sentence.speed_mps
                frames += self._epochs.push(sentence)
        return frames

    def _close(self) -> None:
        self._source.close()
