"""Whether packets make sense in the other byte order only."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from feeds.counters import Counters
from feeds.packet_map.decoder import MapDecoder
from feeds.packet_map.model import PacketMap
from feeds.plausible import sound

_FEWEST: Final = 10
_WRONG: Final = 0.5
"""At least this share of packets gives no plausible frame as the map has it ..."""
_RIGHT: Final = 0.1
"""... and at most this share in the other order."""


def other_order(packet_map: PacketMap, datagrams: Sequence[bytes]) -> str:
    """Return the byte order that the ``datagrams`` are in, if it is not the map's; "" otherwise."""
    if len(datagrams) < _FEWEST or _implausible(packet_map, datagrams) < _WRONG:
        return ""
    other = "big" if packet_map.byte_order == "little" else "little"
    swapped = packet_map.model_copy(update={"byte_order": other})
    return other if _implausible(swapped, datagrams) <= _RIGHT else ""


def _implausible(packet_map: PacketMap, datagrams: Sequence[bytes]) -> float:
    """Return share of the datagrams that give no frame, or one with a value that no car can have."""
    decoder = MapDecoder(packet_map, Counters())
    bad = 0
    for number, data in enumerate(datagrams):
        counters = Counters()
        frames = decoder.decode(data, float(number))
        bad += not frames or any(sound(frame, counters) is None for frame in frames) or bool(counters)
    return bad / len(datagrams)
