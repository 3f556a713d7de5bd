"""Counts feed faults by kind, lost packets too, and says what helps: nothing is rejected silently."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Final

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


_RESTART: Final = 1000
"""A larger step is a restart or a corruption, not a loss."""


class Sequence:
    """Counts ``lost`` (reduced when a late one arrives) and detects duplicates."""

    def __init__(self, counters: Counters) -> None:
        self._counters = counters
        self._last: int | None = None
        self._missing: deque[int] = deque(maxlen=_RESTART)

    def seen(self, number: int) -> bool:
        """Record ``number``; return True if its datagram is a duplicate."""
        last = self._last
        if last is None or abs(number - last) > _RESTART:
            self._last = number
            self._missing.clear()
            return False
        if number > last:
            self._missing.extend(range(last + 1, number))
            if number > last + 1:
                self._counters.add("lost", number - last - 1)
            self._last = number
            return False
        if number in self._missing:
            self._missing.remove(number)
            self._counters.add("lost", -1)
            return False
        return number == last


KINDS: Final = {
    "received": "datagrams, sentences or rows that came in",
    "frames": "frames handed on",
    "malformed": "could not be decoded, or a field had the wrong type",
    "wrong_size": "had a size no packet of the map has",
    "unknown_packet": "was of a packet kind the map does not describe",
    "bad_checksum": "had a checksum that does not match",
    "poor_fix": "came with no fix, too few satellites or too large a dilution",
    "other_sender": "came from a second sender while the first one was sending",
    "sender_changed": "the sender in use fell silent and another one took over",
    "lost": "were never received, by the sender's running number",
    "duplicate": "came twice",
    "late": "arrived after a newer one and were dropped",
    "time_refused": "had no usable time",
    "position_refused": "had a position that is not finite or lies out of the world",
    "speed_refused": "had a speed that is not finite, negative or above 150 m/s",
    "pedal_refused": "had a throttle or brake outside 0..1",
    "field_refused": "had another field outside its range",
    "jump_refused": "lay too far from the frame before, in place, lap or time",
    "teleport": "the car was put somewhere else (accepted after consistent frames)",
    "clock_back": "the session clock went back (accepted after consistent frames)",
    "clock_forward": "the session clock leapt ahead (accepted after consistent frames)",
    "lap_changed": "the lap counter leapt (accepted after consistent frames)",
    "io_error": "the system reported an error while reading",
    "cut_tail": "bytes at the end of a file that could not be read",
    "damaged": "stored batches that were refused because they are damaged",
}
"""Every kind a feed may count, with its explanation for the user."""


class Counters(dict[str, int]):
    """Counts by kind; a kind that never occurred has no entry."""

    def __init__(self, *args: Mapping[str, int]) -> None:
        super().__init__(*args)
        self.found: dict[str, tuple[str, float]] = {}
        """Kind -> the field and value that was refused last."""

    def add(self, kind: str, n: int = 1) -> None:
        """Count ``n`` more of ``kind``; KeyError for a kind that :data:`KINDS` does not explain."""
        if kind not in KINDS:
            raise KeyError(kind)
        self[kind] = self.get(kind, 0) + n


def explain(counters: dict[str, int]) -> list[str]:
    """Return one line per kind that occurred, in the order of :data:`KINDS`."""
    return [f"{counters[kind]} {words}" for kind, words in KINDS.items() if counters.get(kind)]
