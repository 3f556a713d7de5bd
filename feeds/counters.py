"""Counts feed faults by kind: nothing is rejected silently."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Final

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
