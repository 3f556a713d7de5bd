"""Tries a map on real packets: shows what each field decodes to, and what looks wrong."""

from __future__ import annotations

import math
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import Any, Final

import msgspec

from feeds.clock import Clock
from feeds.counters import Counters
from feeds.datagrams import Datagrams
from feeds.frame import Frame
from feeds.packet_map.decoder import MapDecoder
from feeds.packet_map.diagnostics import diagnose
from feeds.packet_map.model import PacketMap

_KEEP: Final = 3000
"""Number of frames used for diagnostics: 50 s at 60 Hz."""


class FieldRow(msgspec.Struct, frozen=True):
    """One field for display: last, smallest and largest value in SI, how often it was present and how often
    it changed.
    """

    field: str
    last: float
    low: float
    high: float
    present: int
    changes: int
    doubt: str = ""


class Trial:
    """Push datagrams, then read ``rows()``, ``problems()`` and ``frames``; nothing is rejected as implausible."""

    def __init__(self, packet_map: PacketMap) -> None:
        self.packet_map = packet_map
        self.counters = Counters()
        self.sizes: Counter[int] = Counter()
        self.frames: deque[Frame] = deque(maxlen=_KEEP)
        self._decoder = MapDecoder(packet_map, self.counters)

    def push(self, data: bytes, arrival_s: float) -> None:
        """Add one datagram received at ``arrival_s`` [s]."""
        self.counters.add("received")
        self.sizes[len(data)] += 1
        self.frames.extend(self._decoder.decode(data, arrival_s))

    def push_all(self, datagrams: Iterable[tuple[float, bytes]]) -> None:
        """Add many datagrams, as stored in a capture."""
        for arrival_s, data in datagrams:
            self.push(data, arrival_s)

    def rows(self) -> list[FieldRow]:
        """Return one row per field the map provides, in the order of the frame."""
        found = self._diagnostics()
        return [self._row(name, found) for name in Frame.__struct_fields__ if name in self.packet_map.fields]

    def problems(self) -> list[str]:
        """Return the problems of the whole map, each with what to try."""
        said = []
        received = self.counters.get("received", 0)
        if not received:
            return ["nothing came in: is the sender on, and does it send to this port?"]
        if self.counters.get("wrong_size"):
            known = sorted({p.room for p in self.packet_map.packets})
            seen = ", ".join(f"{n} of {size} bytes" for size, n in self.sizes.most_common(5))
            said.append(
                f"{self.counters['wrong_size']} packets have a size the map does not know ({known}); seen: {seen}"
            )
        if self.counters.get("unknown_packet"):
            said.append(f"{self.counters['unknown_packet']} packets have a known size but pass no test of the map")
        if not self.frames:
            said.append("no packet gave a frame: check size, byte order and the tests")
        return said + [text for name, text in self._diagnostics() if not name]

    def _diagnostics(self) -> list[tuple[str, str]]:
        return diagnose(list(self.frames), self.packet_map.byte_order)

    def _row(self, name: str, found: list[tuple[str, str]]) -> FieldRow:
        values = [float(v) for v in (getattr(f, name) for f in self.frames) if v is not None and v == v]
        nan = math.nan
        return FieldRow(
            field=name,
            last=values[-1] if values else nan,
            low=min(values, default=nan),
            high=max(values, default=nan),
            present=len(values),
            changes=sum(a != b for a, b in pairwise(values)),
            doubt="; ".join(text for field, text in found if field == name),
        )


def try_live(
    packet_map: PacketMap,
    port: int | None = None,
    host: str = "127.0.0.1",
    *,
    seconds: float = math.inf,
    on_trial: Callable[[Trial], None] = lambda trial: None,
    every_s: float = 1.0,
    stop: Callable[[], bool] = lambda: False,
    clock: Clock | None = None,
) -> Trial:
    """Try the map on incoming packets; call ``on_trial`` every ``every_s`` [s] to show progress.

    Raise FeedOpenError if the port (default: the map's) cannot be bound.
    """
    clock = clock or time
    trial = Trial(packet_map)
    source = Datagrams(host, packet_map.port if port is None else port, Counters(), clock)
    try:
        start = shown = clock.monotonic()
        while (now := clock.monotonic()) - start < seconds and not stop():
            data = source.receive(min(every_s, 0.1))
            if data:
                source.heard()
                trial.push(data, clock.monotonic() - start)
            if now - shown >= every_s:
                shown = now
                on_trial(trial)
    finally:
        source.close()
    on_trial(trial)
    return trial


def trial_answer(trial: Trial) -> dict[str, Any]:
    """Return the whole trial as plain values, for ``--json``."""
    return {
        "map": trial.packet_map.name,
        "counters": dict(trial.counters),
        "frames": len(trial.frames),
        "fields": [{k: None if v != v else v for k, v in msgspec.structs.asdict(row).items()} for row in trial.rows()],
        "problems": trial.problems(),
    }
