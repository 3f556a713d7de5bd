"""Packet maps: trying them, keeping and playing raw datagrams."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from feeds.counters import Counters
from feeds.datagrams import Datagrams
from feeds.packet_map.capture import capture, read_capture, send_capture
from feeds.packet_map.model import PacketMap, read_map
from feeds.packet_map.trial import Row, Trial, trial_answer

__all__ = ["PacketMap", "Row", "Trial", "capture", "listen", "read_capture", "read_map", "send_capture", "trial_answer"]


@contextmanager
def listen(host: str, port: int) -> Iterator[Callable[[float], bytes | None]]:
    """A function that waits so many seconds for a datagram on ``host``:``port``; raises FeedError."""
    source = Datagrams(host, port, Counters(), time)

    def receive(timeout_s: float) -> bytes | None:
        data = source.receive(timeout_s)
        if data:
            source.heard()
        return data

    try:
        yield receive
    finally:
        source.close()
