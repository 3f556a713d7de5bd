"""The feed for fixed-layout UDP packets described by a packet map: live from a port, or from a capture."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import ClassVar, Final

from feeds.base import ROOT, Feed
from feeds.clock import Clock, Pacer
from feeds.datagrams import Datagrams
from feeds.errors import FeedEnded
from feeds.frame import Frame
from feeds.packet_map.capture import Datagram, read_capture
from feeds.packet_map.decoder import MapDecoder
from feeds.packet_map.diagnostics import live_diagnostics, other_order
from feeds.packet_map.model import PacketMap, read_map
from feeds.plane import Plane

_RAW: Final = 30
"""Number of packets used to check the byte order."""
_RECENT: Final = 180
"""Number of frames used for diagnostics while driving: 3 s at 60 Hz."""


class PacketMapFeed(Feed):
    """Listens on ``host``:``port`` (default: the map's port) and decodes by ``packet_map``, a path or a map.

    With ``capture`` it plays that file instead at ``speed`` times real time. Raises FeedError if map, port or file is
    unusable.
    """

    name: ClassVar[str] = "map"

    def __init__(
        self,
        packet_map: Path | PacketMap,
        host: str = "127.0.0.1",
        port: int | None = None,
        *,
        capture: Path | None = None,
        speed: float = 1.0,
        origin: tuple[float, float] | None = None,
        clock: Clock | None = None,
    ) -> None:
        made = packet_map if isinstance(packet_map, PacketMap) else read_map(packet_map)
        super().__init__(clock, made.fields)
        self.real_car = made.real_car
        self.live = capture is None
        self.decoder = MapDecoder(made, self.counters, origin)
        self._recent: deque[Frame] = deque(maxlen=_RECENT)
        self._raw: deque[bytes] = deque(maxlen=_RAW)
        self._size = 0
        self._source: _Live | _Played
        self._where = f"playing {capture}"
        if capture is None:
            self._source = _Live(Datagrams(host, made.port if port is None else port, self.counters, self._clock))
            self.port = self._source.datagrams.port
            self._where = self._source.datagrams.where
        else:
            self._source = _Played(read_capture(capture), Pacer(speed, self._clock), self)

    @property
    def where(self) -> str:
        """The address or the capture file."""
        return self._where

    @property
    def sender(self) -> str:
        """The sender of the last packet."""
        return self._source.datagrams.came_from if isinstance(self._source, _Live) else ""

    def remedy(self, kind: str) -> str:
        """Return where map and packets disagree, and how to fix it."""
        if kind == "wrong_size":
            made = self.decoder.packet_map
            known = " or ".join(f"{p.size} bytes" if p.size else f"at least {p.room} bytes" for p in made.packets)
            return f"packets have {self._size} bytes, the map {made.name} expects {known}: set size in the map"
        return super().remedy(kind)

    def diagnostics(self) -> list[tuple[str, str]]:
        """Return byte order and units that the latest packets contradict."""
        other = other_order(self.decoder.packet_map, list(self._raw))
        if other:
            return [(ROOT, f"the packets make sense in the other byte order only: set byte_order: {other} in the map")]
        found = live_diagnostics(list(self._recent), self.decoder.packet_map.byte_order)
        return [(field or "byte_order", f"{field}: {text}" if field else text) for field, text in found]

    @property
    def plane(self) -> Plane | None:
        """The plane in use; None if the map has no latitude, or before the first position."""
        return self.decoder.plane

    def _receive(self, timeout_s: float) -> Iterable[Frame] | None:
        got = self._source.receive(timeout_s)
        if got is None:
            return None
        data, arrival_s = got
        if not data:
            return ()
        known = self.counters.get("wrong_size", 0) + self.counters.get("unknown_packet", 0)
        frames = self.decoder.decode(data, self._clock.monotonic() if arrival_s is None else arrival_s)
        self._recent.extend(frames)
        self._raw.append(data)
        if known == self.counters.get("wrong_size", 0) + self.counters.get("unknown_packet", 0):
            self._source.heard()
        else:
            self._size = len(data)
        return frames

    def _close(self) -> None:
        self._source.close()


class _Live:
    def __init__(self, datagrams: Datagrams) -> None:
        self.datagrams = datagrams

    def receive(self, timeout_s: float) -> tuple[bytes, float | None] | None:
        data = self.datagrams.receive(timeout_s)
        return None if data is None else (data, None)

    def heard(self) -> None:
        self.datagrams.heard()

    def close(self) -> None:
        self.datagrams.close()


class _Played:
    """A capture played on schedule; ``next`` is the pending datagram."""

    def __init__(self, datagrams: Iterator[Datagram], pacer: Pacer, feed: Feed) -> None:
        self._datagrams = datagrams
        self._pacer = pacer
        self._feed = feed
        self._next: Datagram | None = next(datagrams, None)

    def receive(self, timeout_s: float) -> tuple[bytes, float | None] | None:
        if self._next is None:
            raise FeedEnded(self._feed.name)
        t_s, data = self._next
        if not self._pacer.wait(t_s, timeout_s):
            return None
        self._next = next(self._datagrams, None)
        self._feed.counters.add("received")
        return data, t_s

    def heard(self) -> None:
        """One file, one sender."""

    def close(self) -> None:
        self._datagrams.close()  # type: ignore[attr-defined]  # a generator, which holds the file
