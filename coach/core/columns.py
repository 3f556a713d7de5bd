"""Frames as columns: one row of floats per channel, so that stages process a chunk of frames at once.

One frame is a chunk of length one. Live pushes short chunks, replay long ones; every stage computes element by element
(or strictly in sequence), so chunk boundaries never change a result.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from feeds.frame import CHANNELS, Floats, Frame, frames_of, rows_of

__all__ = ["Columns", "Floats"]

_ROW: Final = {name: i for i, name in enumerate(CHANNELS)}


class Columns:
    """A chunk of ``n`` frames as a float64 array of shape (channels, n); absent values are NaN.

    Counts and flags (lap, gear, wheels_off, in_pit, traction_control, anti_lock) are floats here.
    """

    __slots__ = ("data",)

    def __init__(self, data: Floats) -> None:
        if data.ndim != 2 or data.shape[0] != len(CHANNELS):
            raise ValueError(f"columns need shape ({len(CHANNELS)}, n), got {data.shape}")
        self.data = data

    @classmethod
    def of(cls, frames: Iterable[Frame]) -> Columns:
        """Return frames as columns; None becomes NaN."""
        return cls(rows_of(frames))

    @classmethod
    def empty(cls, n: int = 0) -> Columns:
        """Return a chunk of ``n`` frames in which every channel is absent."""
        return cls(np.full((len(CHANNELS), n), np.nan))

    @classmethod
    def join(cls, parts: Sequence[Columns]) -> Columns:
        """Return the parts joined in order."""
        return cls(np.concatenate([p.data for p in parts], axis=1)) if parts else cls.empty()

    def __len__(self) -> int:
        return int(self.data.shape[1])

    def __getitem__(self, name: str) -> Floats:
        """Return the channel ``name`` as a view of shape (n,); raise KeyError if there is no such channel."""
        row: Floats = self.data[_ROW[name]]
        return row

    def part(self, start: int, stop: int) -> Columns:
        """Return frames ``start`` to ``stop`` (not included), a view."""
        return Columns(self.data[:, start:stop])

    def where(self, keep: NDArray[np.bool_]) -> Columns:
        """Return the frames at which ``keep`` (shape (n,)) is true."""
        return Columns(self.data[:, keep])

    def frames(self) -> list[Frame]:
        """Return the frames as values (for sending and for tests)."""
        return frames_of(self.data)
