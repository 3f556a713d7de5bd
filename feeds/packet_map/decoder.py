"""Decodes raw datagrams to frames by a packet map: no socket, no clock."""

from __future__ import annotations

import struct
from typing import Any, Final

import msgspec

from feeds.counters import Counters
from feeds.frame import Frame
from feeds.packet_map.compiled import Compiled
from feeds.packet_map.model import PacketMap
from feeds.packet_map.places import FRAME_NUMBER
from feeds.plane import Plane, plane_of

_RESTART: Final = {FRAME_NUMBER: 100.0, "t_s": 1.0}
"""A larger step back of the key means a new session, not a late packet."""


class MapDecoder:
    """Decodes datagrams; ``decode`` never raises and counts faults in ``counters``.

    Positions given as latitude and longitude are projected onto the plane around ``origin`` (degrees) or the first
    position.
    """

    def __init__(self, packet_map: PacketMap, counters: Counters, origin: tuple[float, float] | None = None) -> None:
        self.packet_map = packet_map
        self.plane = plane_of(origin)
        self._counters = counters
        arrival = packet_map.clock == "arrival"
        compiled = [Compiled(p, packet_map.byte_order, packet_map.turn_deg, arrival) for p in packet_map.packets]
        sizes = {c.size for c in compiled if c.size is not None}
        self._open = [c for c in compiled if c.size is None]
        self._by_size = {
            size: [c for c in compiled if c.size == size or (c.size is None and c.at_least <= size)] for size in sizes
        }
        self._merger = _Merger(packet_map, counters) if len(compiled) > 1 else None
        self._geographic = "lat_deg" in packet_map.fields

    def decode(self, data: bytes, arrival_s: float) -> list[Frame]:
        """Return the frames this datagram, received at ``arrival_s`` [s], completes; unchecked."""
        kinds = self._by_size.get(len(data))
        if kinds is None:
            kinds = [c for c in self._open if c.at_least <= len(data)]
            if not kinds:
                self._counters.add("wrong_size")
                return []
        for kind in kinds:
            if kind.matches(data):
                break
        else:
            self._counters.add("unknown_packet")
            return []
        try:
            if self._merger is None:
                frames = [kind.frame(data, arrival_s)]
            else:
                frames = self._merger.push(kind, kind.values(data, arrival_s), arrival_s)
        except (struct.error, ArithmeticError):
            self._counters.add("malformed")
            return []
        return [self._placed(f) for f in frames] if self._geographic else frames

    def _placed(self, frame: Frame) -> Frame:
        if not (-90.0 <= frame.lat_deg <= 90.0 and -180.0 <= frame.lon_deg <= 180.0):
            return frame  # absent, or rejected by the gate
        if self.plane is None:
            self.plane = Plane(frame.lat_deg, frame.lon_deg)
        x, y = self.plane.to_xy(frame.lat_deg, frame.lon_deg)
        return msgspec.structs.replace(frame, x_m=x, y_m=y)


class _Merger:
    """Joins packets with the same key into a frame as soon as every per-frame kind has arrived."""

    def __init__(self, packet_map: PacketMap, counters: Counters) -> None:
        self._key = packet_map.key
        self._hold_s = packet_map.hold_s
        self._counters = counters
        self._every = frozenset(p.name for p in packet_map.packets if p.each_frame)
        self._now: float | None = None
        self._done = True
        self._names: set[str] = set()
        self._values: dict[str, Any] = {}
        self._slow: dict[str, tuple[float, dict[str, Any]]] = {}

    def push(self, kind: Compiled, values: dict[str, Any], arrival_s: float) -> list[Frame]:
        """Add the values of one packet; return the frames it completes."""
        name = kind.packet.name
        if name not in self._every:
            values.pop(FRAME_NUMBER, None)
            # a slow packet must not give a frame its older time
            values.pop("t_s", None)
            self._slow[name] = (arrival_s, values)
            return []
        key = values.get(self._key)
        if key is None or key != key:
            self._counters.add("time_refused")
            return []
        out: list[Frame] = []
        if key != self._now:
            behind = 0.0 if self._now is None else self._now - key
            if 0.0 < behind <= _RESTART[self._key]:
                self._counters.add("late")
                return []
            if not self._done:
                out += self._emit(arrival_s)
            self._now, self._done, self._names, self._values = key, False, set(), {}
        elif self._done or name in self._names:
            self._counters.add("duplicate")
            return []
        self._names.add(name)
        self._values.update(values)
        if self._names == self._every:
            out += self._emit(arrival_s)
        return out

    def _emit(self, arrival_s: float) -> list[Frame]:
        self._done = True
        fields: dict[str, Any] = {}
        for came_s, values in self._slow.values():
            if arrival_s - came_s <= self._hold_s:
                fields.update(values)
        fields.update(self._values)
        fields.pop(FRAME_NUMBER, None)
        if "t_s" not in fields:
            self._counters.add("time_refused")
            return []
        return [Frame(**fields)]
