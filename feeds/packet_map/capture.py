"""Stores raw datagrams in a file for replay and sharing: an Arrow IPC stream of time and bytes."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Final

import pyarrow as pa

from feeds.clock import Clock, Pacer
from feeds.counters import Counters
from feeds.datagrams import Datagrams
from feeds.errors import FeedFormatError, FeedOpenError

_SCHEMA: Final = pa.schema([("t_s", pa.float64()), ("data", pa.binary())])
_OPTIONS: Final = pa.ipc.IpcWriteOptions(compression="lz4")
_WRITE_EVERY_S: Final = 0.5
Datagram = tuple[float, bytes]


def write_capture(path: Path, datagrams: Iterable[Datagram], *, batch: int = 256) -> int:
    """Store datagrams (arrival [s], bytes) in a new file; return their number. Raise FeedOpenError if it cannot be
    created.
    """
    count = 0
    with _new(path) as file, pa.ipc.new_stream(file, _SCHEMA, options=_OPTIONS) as out:
        part: list[Datagram] = []
        for datagram in datagrams:
            part.append(datagram)
            if len(part) == batch:
                out.write_batch(_batch(part))
                count += len(part)
                part = []
        out.write_batch(_batch(part))
        return count + len(part)


def read_capture(path: Path) -> Iterator[Datagram]:
    """Yield the datagrams of a capture in order, without a cut end. Raise FeedError if it is not a capture."""
    try:
        file = pa.OSFile(str(path), "rb")
    except (OSError, ValueError) as error:
        raise FeedOpenError(f"{path}: the capture cannot be opened ({error})") from error
    with file:
        try:
            reader = pa.ipc.open_stream(file)
            if reader.schema != _SCHEMA:
                raise ValueError(f"its columns are {', '.join(reader.schema.names)}")
        except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
            raise FeedFormatError(f"{path}: not a capture of datagrams ({error})") from error
        while True:
            try:
                batch = reader.read_next_batch()
                batch.validate(full=True)
                rows = list(zip(batch.column(0).to_pylist(), batch.column(1).to_pylist(), strict=True))
            except (StopIteration, pa.ArrowException, OSError, ValueError, MemoryError):
                return
            yield from ((t, d) for t, d in rows if t is not None and d is not None and t == t)


def capture(
    path: Path,
    port: int,
    host: str = "127.0.0.1",
    *,
    seconds: float = float("inf"),
    stop: Callable[[], bool] = lambda: False,
    on_count: Callable[[int], None] = lambda n: None,
    clock: Clock | None = None,
) -> int:
    """Listen on ``host``:``port`` and store datagrams for ``seconds`` or until ``stop()``; return their number.

    Raise FeedOpenError if the port or the file cannot be opened. A kill loses at most half a second.
    """
    clock = clock or time
    source = Datagrams(host, port, Counters(), clock)
    try:
        with _new(path) as file, pa.ipc.new_stream(file, _SCHEMA, options=_OPTIONS) as out:
            start = clock.monotonic()
            written, count = start, 0
            part: list[Datagram] = []
            while (now := clock.monotonic()) - start < seconds and not stop():
                data = source.receive(0.1)
                if data:
                    source.heard()
                    part.append((clock.monotonic() - start, data))
                    count += 1
                if part and now - written > _WRITE_EVERY_S:
                    out.write_batch(_batch(part))
                    part, written = [], now
                    on_count(count)
            out.write_batch(_batch(part))
            return count
    finally:
        source.close()


def send_capture(path: Path, host: str, port: int, speed: float = 1.0, clock: Clock | None = None) -> int:
    """Send a capture to ``host``:``port`` with its original timing at ``speed`` times real time; return the number of
    datagrams sent.
    """
    clock = clock or time
    pacer = Pacer(speed, clock)
    count = 0
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        for t_s, data in read_capture(path):
            pacer.wait(t_s)
            try:
                out.sendto(data, (host, port))
                count += 1
            except (OSError, OverflowError) as error:
                if count == 0 and not isinstance(error, ConnectionError):
                    raise FeedOpenError(f"udp {host}:{port}: cannot be sent to ({error})") from error
    return count


def _new(path: Path) -> pa.NativeFile:
    if path.exists():
        raise FeedOpenError(f"{path}: expected a new name, found an existing file")
    try:
        return pa.OSFile(str(path), "wb")
    except OSError as error:
        raise FeedOpenError(f"{path}: the capture cannot be written ({error})") from error


def _batch(part: list[Datagram]) -> pa.RecordBatch:
    return pa.record_batch(
        [pa.array([t for t, _ in part], pa.float64()), pa.array([d for _, d in part], pa.binary())], schema=_SCHEMA
    )
