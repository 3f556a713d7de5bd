"""The file of a recorded frame stream: an Arrow IPC stream of float64 columns, one per channel, absent is NaN.

Append-only: one write stores each whole batch with a CRC-32 of its numbers. A file with a missing end is readable up to
its last whole batch, and a damaged batch is rejected.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import pyarrow as pa

from feeds.errors import FeedFormatError, FeedOpenError
from feeds.frame import CHANNELS, Floats

FRAME_FILE: Final = "frames.arrows"
_SCHEMA: Final = pa.schema([(name, pa.float64()) for name in CHANNELS])
_END: Final = b"\xff\xff\xff\xff\x00\x00\x00\x00"
"""The end-of-stream mark of the Arrow IPC format: a file that ends with it was closed properly."""
_MARK: Final = b"\xff\xff\xff\xff"
"""The first bytes of every message."""
_MAX_PICKED_UP: Final = 1000
_BLOCK: Final = 1 << 16


class _Collect:
    """A sink that buffers Arrow's output, so that a file receives whole batches only."""

    def __init__(self) -> None:
        self.parts: list[bytes] = []
        self.closed = False

    def write(self, data: Any) -> int:
        self.parts.append(bytes(data))
        return len(self.parts[-1])

    def flush(self) -> None:
        """Do nothing: nothing is pending here."""

    def close(self) -> None:
        self.closed = True

    def take(self) -> bytes:
        whole, self.parts = b"".join(self.parts), []
        return whole


class FrameStreamWriter:
    """Writes a new frame stream; each ``write`` reaches the operating system before it returns.

    OSError from the constructor and from ``write`` (disk full, folder gone); after a failed write the file still
    ends with a whole batch and a later write may succeed.
    """

    def __init__(self, path: Path) -> None:
        self._sink = _Collect()
        # no threads: waking them once per column would take longer than packing so few frames
        options = pa.ipc.IpcWriteOptions(compression="lz4", use_threads=False)
        self._writer = pa.ipc.new_stream(self._sink, _SCHEMA, options=options)
        self._file: BinaryIO = open(path, "xb", buffering=0)  # noqa: SIM115 - closed by close()
        self._size = 0
        try:
            # Arrow writes the schema with the first batch: an empty one makes a readable file from the start
            self._append(self._message(np.empty((len(CHANNELS), 0))))
        except OSError:
            self._file.close()
            raise

    def write(self, data: Floats) -> None:
        """Append frames of shape (channels, n) as one batch."""
        if data.shape[1] == 0:
            return
        self._append(self._message(data))

    def _message(self, data: Floats) -> bytes:
        columns = [
            # from_buffers, as pa.array imports pandas where installed, which costs a second at the first batch
            pa.Array.from_buffers(pa.float64(), len(row), [None, pa.py_buffer(np.ascontiguousarray(row))])
            for row in data
        ]
        batch = pa.record_batch(columns, schema=_SCHEMA)
        self._writer.write_batch(batch, custom_metadata={"crc32": str(_crc(data))})
        return self._sink.take()

    def close(self) -> None:
        """Write the end mark and close the file; raise OSError if the mark does not fit on the disk."""
        if self._file.closed:
            return
        try:
            self._writer.close()
            self._append(self._sink.take())
        finally:
            self._file.close()

    def _append(self, data: bytes) -> None:
        try:
            view = memoryview(data)
            while view:
                view = view[self._file.write(view) or 0 :]
        except OSError:
            os.ftruncate(self._file.fileno(), self._size)
            self._file.seek(self._size)
            raise
        self._size += len(data)


class _From:
    """The file from ``offset`` on, after ``prefix``: resumes a stream in its middle."""

    closed = False

    def __init__(self, file: BinaryIO, prefix: bytes = b"", offset: int = 0) -> None:
        self._file = file
        self._prefix = prefix
        self._left = file.seek(0, os.SEEK_END) - offset
        file.seek(offset)

    def read(self, size: int) -> bytes:
        data, self._prefix = self._prefix[:size], self._prefix[size:]
        if len(data) < size:
            # a damaged length must not allocate memory for missing data
            more = self._file.read(min(size - len(data), self._left))
            self._left -= len(more)
            data += more
        return data

    def flush(self) -> None:
        """Do nothing: this stream is read-only."""

    def close(self) -> None:
        """Do nothing: the owner closes the file."""


class FrameStreamReader:
    """Reads a frame stream batch by batch; ``lost_bytes`` and ``damaged`` are final after the last batch.

    ``lost_bytes`` counts the bytes of an unfinished end, ``damaged`` the places where batches were rejected. Raises
    FeedOpenError if there is no such file, FeedFormatError if it is not a frame stream.
    """

    def __init__(self, path: Path) -> None:
        path = path / FRAME_FILE if path.is_dir() else path
        self.path = path
        self.lost_bytes = 0
        self.damaged = 0
        try:
            self._file: BinaryIO = open(path, "rb")  # noqa: SIM115 - closed by close()
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or error
            raise FeedOpenError(f"{path}: the frame stream cannot be opened ({why})") from error
        try:
            self._size = self._file.seek(0, os.SEEK_END)
            self._file.seek(max(self._size - len(_END), 0))
            self.ended = self._file.read() == _END
            self._reader = pa.ipc.open_stream(_From(self._file))
            names = self._reader.schema.names
            if "t_s" not in names or any(field.type != pa.float64() for field in self._reader.schema):
                raise ValueError(f"its columns are {', '.join(names) or 'none'}")
            self._prefix = self._start()
        except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
            self._file.close()
            why = "an empty file" if self._size == 0 else str(error)
            raise FeedFormatError(f"{path}: not a frame stream, or cut before its first frame ({why})") from error
        self._rows: Sequence[int] = [names.index(name) if name in names else -1 for name in CHANNELS]

    def batches(self) -> Iterator[Floats]:
        """Yield the arrays of shape (channels, n) in the order of :data:`CHANNELS`; channels the file lacks are NaN."""
        good = len(self._prefix)
        start = good
        bad = False
        for _ in range(_MAX_PICKED_UP):
            self._reader = pa.ipc.open_stream(_From(self._file, self._prefix, start))
            try:
                while True:
                    start = self._file.tell()
                    batch, metadata = self._reader.read_next_batch_with_custom_metadata()
                    batch.validate(full=True)
                    data = self._arrange(batch)
                    if metadata is None or metadata.get(b"crc32") != str(_crc(data)).encode():
                        raise ValueError("the numbers differ from those written")
                    self.damaged += bad
                    bad = False
                    good = self._file.tell()
                    if data.shape[1]:
                        yield data
            except StopIteration:
                break
            except (pa.ArrowException, OSError, ValueError, MemoryError):
                bad = True
            start = self._next_message(start + 8)
            if start < 0:
                break
        if self.ended:
            self.damaged += bad
        else:
            self.lost_bytes = self._size - good

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _start(self) -> bytes:
        """Return the bytes of the schema, which every part of the stream needs before it."""
        length = self._file.tell()
        self._file.seek(0)
        return self._file.read(length)

    def _next_message(self, start: int) -> int:
        """Return where the next message may begin at or after ``start``, by its mark; negative when there is none."""
        overlap = len(_MARK) - 1
        while start < self._size:
            self._file.seek(start)
            block = self._file.read(_BLOCK)
            at = block.find(_MARK)
            if at >= 0:
                return start + at
            start += max(len(block) - overlap, 1)
        return -1

    def _arrange(self, batch: Any) -> Floats:
        data = np.full((len(CHANNELS), batch.num_rows), np.nan)
        for row, index in enumerate(self._rows):
            if index >= 0:
                data[row] = _floats(batch.column(index))
        return data


def _floats(column: Any) -> Floats:
    """Return the values of an Arrow array; ``to_numpy`` would import pandas wherever that is installed
    (half a second).
    """
    plain = column.type == pa.float64() and not column.null_count
    return np.asarray(np.from_dlpack(column) if plain else column.to_numpy(zero_copy_only=False), dtype=np.float64)


def _crc(data: Floats) -> int:
    return zlib.crc32(np.ascontiguousarray(data, dtype="<f8").tobytes())
