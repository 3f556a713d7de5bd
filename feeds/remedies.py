"""Remedies for rejected data: one sentence per kind, with the field and the value found."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from feeds.counters import Counters
from feeds.wrong_value import expected

_FIX: Final[Mapping[str, str]] = {
    "malformed": "packets cannot be decoded: check what the sender sends",
    "unknown_packet": "packets have a known size but pass no test of the map: check its tests (when) and byte_order",
    "bad_checksum": "sentences arrive with wrong checksums: check the cable and the baud rate",
    "poor_fix": "the receiver has no good fix: give it a clear view of the sky",
    "other_sender": "a second sender is ignored: stop one of them",
    "time_refused": "t_s: expected the session time in seconds with every packet",
    "io_error": "the connection fails: check cable, device and address",
    "late": "packets arrive out of order and are dropped: send them in order of t_s",
    "duplicate": "t_s: the same time in packet after packet: is the session paused, or is this another field?",
    "jump_refused": "the position jumps too far from packet to packet: check the fields of the position and t_s",
}
_RANGES: Final[Mapping[str, str]] = {
    "x_m": "-1000 km to 1000 km, in metres",
    "y_m": "-1000 km to 1000 km, in metres",
    "z_m": "-10 km to 10 km, in metres",
    "lat_deg": "-90 to 90, in degrees",
    "lon_deg": "-180 to 180, in degrees",
    "lap_distance_m": "0 to 100 km, in metres",
    "lap_fraction": "0 to 1",
    "lap": "a number from 0 to 10000",
    "speed_mps": "0 to 150, in m/s (km/h divided by 3.6)",
    "throttle": "0 to 1 (percent divided by 100)",
    "brake": "0 to 1 (percent divided by 100)",
    "steer": "-20 to 20, left positive",
    "gear": "-1 reverse, 0 neutral, up to 12",
    "wheels_off": "0 to 8",
}


def remedy(kind: str, counters: Counters) -> str:
    """Return the sentence for ``kind``; "" for kinds that need no action."""
    if kind in counters.found:
        field, value = counters.found[kind]
        return f"{field}: {expected(_RANGES.get(field, 'another value'), f'{value:.4g}')}"
    return _FIX.get(kind, "")
