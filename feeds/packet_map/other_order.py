"""Detects packets that make sense only in the other byte order."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from feeds.counters import Counters
from feeds.packet_map.decoder import MapDecoder
from feeds.packet_map.model import PacketMap
from feeds.plausible import sound

_FEWEST: Final = 10
_WRONG: Final = 0.5
"""At least this share of packets gives no plausible frame in the map's order ..."""
_RIGHT: Final = 0.1
"""... and at most this share in the other order."""


def other_order(packet_map: PacketMap, datagrams: Sequence[bytes]) -> str:
    """Return the byte order of ``datagrams`` if it differs from the map's, else ""."""
    if len(datagrams) < _FEWEST or _implausible(packet_map, datagrams) < _WRONG:
        return ""
    other = "big" if packet_map.byte_order == "little" else "little"
    swapped = packet_map.model_copy(update={"byte_order": other})
    return other if _implausible(swapped, datagrams) <= _RIGHT else ""


def _implausible(packet_map: PacketMap, datagrams: Sequence[bytes]) -> float:
    """Return the share of datagrams that give no frame, or one with an implausible value."""
    decoder = MapDecoder(packet_map, Counters())
    bad = 0
    for number, data in enumerate(datagrams):
        counters = Counters()
        frames = decoder.decode(data, float(number))
        bad += not frames or any(sound(frame, counters) is None for frame in frames) or bool(counters)
    return bad / len(datagrams)
