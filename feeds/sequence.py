"""Running numbers of a sender: how many datagrams were lost or came twice.

Only a count: frames are ordered by their time, so a corrupted number can not silence a feed.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from feeds.counters import Counters

_RESTART: Final = 1000
"""A number farther off than this is a restart or a corruption, not a loss."""


class Sequence:
    """Counts ``lost`` (taken back when a late one arrives after all) and answers whether a number came before."""

    def __init__(self, counters: Counters) -> None:
        self._counters = counters
        self._last: int | None = None
        self._missing: deque[int] = deque(maxlen=_RESTART)

    def seen(self, number: int) -> bool:
        """Note ``number``; True when it came before and its datagram is a duplicate."""
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
