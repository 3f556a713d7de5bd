"""Sequence numbers of a sender: counts lost and duplicate datagrams.

Only counts: frames are ordered by time, so a corrupted number cannot silence a feed.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from feeds.counters import Counters

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
