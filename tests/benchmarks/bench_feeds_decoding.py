"""Cost of decoding a 1300-byte packet of 20 fields by a map, against struct.unpack alone.

Run: ``python tests/benchmarks/bench_feeds_decoding.py``
"""

from __future__ import annotations

import os
import statistics
import struct
import sys
import timeit
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from feeds.counters import Counters
from feeds.frame import Frame
from feeds.messages import decode, encode
from feeds.nmea.sentences import parse, sentences_of
from feeds.packet_map.decoder import MapDecoder
from feeds.packet_map.encoder import packets_of
from feeds.packet_map.model import PacketMap
from feeds.plausible import Gate

FIELDS: list[dict[str, object]] = [
    {"field": "t_s", "at": 8, "type": "f64"},
    {"field": "x_m", "at": 100, "type": "f32"},
    {"field": "y_m", "at": 108, "type": "f32", "scale": -1.0},
    {"field": "z_m", "at": 104, "type": "f32"},
    {"field": "lap_distance_m", "at": 300, "type": "f32"},
    {"field": "lap_fraction", "at": 304, "type": "f32"},
    {"field": "lap", "at": 310, "type": "u16", "shift": 1},
    {"field": "vx_mps", "at": 400, "type": "f32", "unit": "km/h"},
    {"field": "vy_mps", "at": 404, "type": "f32", "unit": "km/h"},
    {"field": "vz_mps", "at": 408, "type": "f32", "unit": "km/h"},
    {"field": "throttle", "at": 600, "type": "u8", "unit": "byte"},
    {"field": "brake", "at": 601, "type": "u8", "unit": "byte"},
    {"field": "steer", "at": 604, "type": "f32", "unit": "deg"},
    {"field": "gear", "at": 610, "type": "i8", "shift": -1},
    {"field": "wheels_off", "at": 700, "type": "u8"},
    {"field": "in_pit", "at": 701, "type": "u8", "on": [2, 3]},
    {"field": "traction_control", "at": 702, "type": "u8", "bit": 1},
    {"field": "anti_lock", "at": 703, "type": "u8", "bit": 2},
    {"field": "seq", "at": 1296, "type": "u32"},
    {"field": "frame_number", "at": 1290, "type": "u32"},
]
LAYOUT = "<8xd84xfff188xff2xH88xfff188xBB2xf2xb89xBBBB586xI2xI"
FRAME = Frame(
    61.25, x_m=100.5, y_m=-20.0, z_m=3.0, lap_distance_m=812.0, lap_fraction=0.2, lap=3, speed_mps=50.0, throttle=0.5,
    brake=0.0, steer=0.1, gear=4, wheels_off=0, in_pit=False, traction_control=False, anti_lock=False, seq=7,
)  # fmt: skip


def microseconds(call: Callable[[], object]) -> float:
    """Median of seven runs, for one call."""
    number = max(int(0.05 / max(timeit.timeit(call, number=1000) / 1000, 1e-9)), 1)
    return statistics.median(timeit.repeat(call, number=number, repeat=7)) / number * 1e6


def main() -> None:
    """Print one line per decoder."""
    packet = {"name": "p", "size": 1300, "when": [{"at": 0, "type": "u16", "is": 4711}], "fields": FIELDS}
    packet_map = PacketMap.model_validate({"name": "bench", "packets": [packet]})
    (data,) = packets_of(packet_map, FRAME)
    assert len(data) == 1300
    alone = struct.Struct(LAYOUT).unpack
    assert len(alone(data)) == 20
    decoder = MapDecoder(packet_map, Counters())
    assert decoder.decode(data, 0.0)[0].speed_mps == 50.0
    base = microseconds(lambda: alone(data))
    mapped = microseconds(lambda: decoder.decode(data, 0.0))
    print(f"struct.unpack alone, 1300 bytes, 20 values: {base:.3f} us")
    print(f"packet map to Frame:                        {mapped:.3f} us, {mapped / base:.1f} times struct.unpack")
    packed, text = encode(FRAME), encode(FRAME, "json")
    print(f"own datagram, MessagePack ({len(packed)} bytes):       {microseconds(lambda: decode(packed)):.3f} us")
    print(f"own datagram, JSON ({len(text)} bytes):              {microseconds(lambda: decode(text)):.3f} us")
    line = sentences_of(FRAME, 50.0, 8.0).split()[0]
    print(
        f"NMEA sentence ({len(line)} bytes):                    {microseconds(lambda: parse(line, Counters())):.1f} us"
    )

    def gated() -> None:
        gate = Gate(Counters())
        for i in range(100):
            gate.admit(Frame(i / 60, x_m=i * 0.5, y_m=0.0, speed_mps=30.0, lap=1))

    print(f"plausibility gate:                          {microseconds(gated) / 100:.3f} us a frame")
    print(f"machine: {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, Python {sys.version.split()[0]}")


if __name__ == "__main__":
    main()
