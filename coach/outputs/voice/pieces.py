"""The pieces of texts: rendered once, levelled, and joined to spoken texts.

"Quarry, brake later" and a few hundred others need each name and each advice only once. A piece and the pause between
two are whole cells of the loudness measure, so that the length and the gain of a text follow from its pieces.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from zlib import crc32

import msgspec
import numpy as np
from numpy.typing import NDArray

from coach.core.cue.spoken_pieces import COMMA_S
from coach.files import write_atomically
from coach.outputs.voice.loudness import CELL, cells, gain_of, level
from coach.outputs.voice.sound import RATE_HZ, Samples, pcm

PAUSE_CELLS = round(COMMA_S * RATE_HZ / CELL)


class _Stored(msgspec.Struct, frozen=True):
    samples: bytes
    energy: bytes
    crc32: int


_stored = msgspec.msgpack.Decoder(_Stored)


@dataclass(frozen=True, eq=False)
class PhrasePiece:
    """``samples`` 16 bit, levelled; ``energy`` of its cells and of the pause after it."""

    samples: NDArray[np.int16]
    energy: NDArray[np.float64]

    @classmethod
    def of(cls, samples: Samples) -> PhrasePiece:
        """Make a piece from the engine's output, without silence."""
        levelled = level(samples)
        return cls(np.frombuffer(pcm(levelled), "<i2"), cells(levelled, PAUSE_CELLS))

    @classmethod
    def read(cls, path: Path) -> PhrasePiece | None:
        """Read a piece from its file; return None if missing or damaged."""
        try:
            stored = _stored.decode(path.read_bytes())
        except (OSError, msgspec.MsgspecError):
            return None
        if stored.crc32 != crc32(stored.energy, crc32(stored.samples)):
            return None
        return cls(np.frombuffer(stored.samples, "<i2"), np.frombuffer(stored.energy, "<f8"))

    def write(self, path: Path) -> None:
        """Write it to its file atomically; raise OSError on failure."""
        samples, energy = self.samples.tobytes(), self.energy.astype("<f8").tobytes()
        stored = _Stored(samples, energy, crc32(energy, crc32(samples)))
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(path, msgspec.msgpack.encode(stored), durable=False)


def length(pieces: Sequence[PhrasePiece], pauses: Sequence[float]) -> int:
    """Return the number of samples of the pieces joined with ``pauses`` [s] of at most COMMA_S between them."""
    return sum(len(piece.samples) for piece in pieces) + CELL * sum(map(_cells, pauses))


def joined(pieces: Sequence[PhrasePiece], pauses: Sequence[float]) -> bytes:
    """Return the pieces joined with ``pauses`` at equal loudness: 16-bit little-endian bytes."""
    count = length(pieces, pauses)
    after = [*map(_cells, pauses), 0]
    energy = [p.energy[: len(p.samples) // CELL + cells] for p, cells in zip(pieces, after, strict=True)]
    gain = np.float32(gain_of(np.concatenate(energy)))
    out = np.zeros(count, dtype="<i2")
    at = 0
    for piece, pause in zip(pieces, after, strict=True):
        out[at : at + len(piece.samples)] = np.rint(piece.samples * gain)
        at += len(piece.samples) + pause * CELL
    return out.tobytes()


def _cells(pause_s: float) -> int:
    return round(pause_s * RATE_HZ / CELL)
