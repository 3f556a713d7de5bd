"""Buffers the located frames of the last corners, so that a complete pass can be measured."""

from __future__ import annotations

from array import array

import numpy as np

from coach.core.columns import Columns, Floats
from coach.core.locate.locator import Fixes
from feeds.frame import CHANNELS

_ROWS = len(CHANNELS) + 2
_ROW = {name: i for i, name in enumerate(CHANNELS)}
_SPEED = _ROW["speed_mps"]


class FrameBuffer:
    """A growing window of located frames; :meth:`forget` drops old ones."""

    def __init__(self) -> None:
        self._data = np.empty((_ROWS, 4096))
        self._start = 0
        self._stop = 0
        self._waiting = array("d")
        self.hidden = 0
        """So many of the latest frames are not looked at: they were added, but lie after what is being measured."""

    def clear(self) -> None:
        """Drop all frames."""
        self._start = self._stop = self.hidden = 0
        self._waiting = array("d")

    def add(self, located: Columns, fixes: Fixes) -> None:
        """Add located frames with their fixes."""
        if self._waiting:
            self._take_in()
        n = len(fixes.row)
        if self._stop + n > self._data.shape[1]:
            self._make_room(n)
        into = self._data[:, self._stop : self._stop + n]
        into[:-2] = located.data
        into[_SPEED] = fixes.speed_mps
        into[-2] = fixes.u_m
        into[-1] = fixes.offset_m
        self._stop += n

    def add_one(self, row: list[float], u_m: float, offset_m: float, speed_mps: float) -> None:
        """Add one located frame; ``row`` holds its channel values and is consumed."""
        # merged at the next access: appending one by one costs several times as much
        row[_SPEED] = speed_mps
        row += (u_m, offset_m)
        self._waiting.fromlist(row)

    def _take_in(self) -> None:
        """Merge the frames added one by one."""
        frames = np.frombuffer(self._waiting).reshape(-1, _ROWS)
        n = len(frames)
        if self._stop + n > self._data.shape[1]:
            self._make_room(n)
        self._data[:, self._stop : self._stop + n] = frames.T
        self._stop += n
        self._waiting = array("d")

    def _make_room(self, n: int) -> None:
        held = self._data[:, self._start : self._stop]
        size = max(self._data.shape[1], 2 * (held.shape[1] + n))
        data = np.empty((_ROWS, size))
        data[:, : held.shape[1]] = held
        self._data, self._start, self._stop = data, 0, held.shape[1]

    @property
    def u_m(self) -> Floats:
        """Distance driven [m], shape (n,)."""
        return self._row(-2)

    @property
    def offset_m(self) -> Floats:
        """Offset from the reference line, left positive [m], shape (n,)."""
        return self._row(-1)

    def __getitem__(self, name: str) -> Floats:
        return self._row(_ROW[name])

    def _row(self, i: int) -> Floats:
        if self._waiting:
            self._take_in()
        row: Floats = self._data[i, self._start : self._stop - self.hidden]
        return row

    def __len__(self) -> int:
        if self._waiting:
            self._take_in()
        return self._stop - self.hidden - self._start

    def span(self, low_m: float, high_m: float) -> slice:
        """Return the rows from the first frame beyond ``low_m`` to the last before ``high_m``, one more at
        either side.
        """
        u = self.u_m
        inside = ((u >= low_m) & (u <= high_m)).nonzero()[0]
        return slice(max(int(inside[0]) - 1, 0), min(int(inside[-1]) + 2, len(u))) if len(inside) else slice(0, 0)

    def forget(self, before_m: float) -> None:
        """Drop frames before ``before_m`` [m]."""
        ahead = self.u_m >= before_m
        first = int(ahead.argmax()) if len(ahead) else 0
        if len(ahead) and ahead[first]:
            self._start += first
