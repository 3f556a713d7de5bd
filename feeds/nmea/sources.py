"""Byte sources of a receiver: ``read`` returns bytes, empty for useless data, None when nothing arrived."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any, Final, Protocol

from feeds.clock import Clock
from feeds.counters import Counters
from feeds.datagrams import Datagrams
from feeds.errors import FeedEnded, FeedOpenError

DEFAULT_PORT: Final = 10_110
"""Registered for NMEA 0183 (IANA service names and port numbers list, from memory)."""
DEFAULT_BAUD: Final = 115_200
_CONNECT_S: Final = 5.0
_FIRST_RETRY_S: Final = 0.5
_LAST_RETRY_S: Final = 8.0
_BLOCK: Final = 4096
FORMS: Final = "udp:HOST:PORT, tcp:HOST:PORT, serial:DEVICE[:BAUD] or file:PATH"


class ByteSource(Protocol):
    """The source of an NMEA feed; ``where`` describes it. ``read`` may raise OSError and FeedEnded."""

    where: str

    def read(self, timeout_s: float) -> bytes | None:
        """Return bytes, waiting at most ``timeout_s`` [s]."""

    def heard(self) -> None:
        """Report that the last bytes held a good sentence."""

    def close(self) -> None:
        """Give back what is held."""


def open_source(text: str, counters: Counters, clock: Clock) -> ByteSource:
    """Return the source that ``text`` names in one of the :data:`FORMS`; raise FeedOpenError if it cannot be opened."""
    kind, _, rest = text.partition(":")
    if kind == "file" and rest:
        return FileSource(Path(rest))
    if kind == "serial" and rest:
        device, _, baud = rest.rpartition(":")
        if not baud.isdigit() or not device:
            device, baud = rest, str(DEFAULT_BAUD)
        return Again(lambda: SerialSource(device, int(baud)), clock, f"reading {device} at {baud} baud")
    host, _, port = rest.rpartition(":")
    if kind in ("udp", "tcp") and host and port.isdigit() and int(port) <= 65_535:
        host = host.strip("[]")  # an IPv6 address stands in brackets
        if kind == "udp":
            return UdpSource(Datagrams(host, int(port), counters, clock))
        return Again(lambda: TcpSource(host, int(port)), clock, f"connected to {host}:{port}")
    raise FeedOpenError(f"NMEA source: expected {FORMS}; found {text!r}")


class FileSource:
    """A logged file, read in blocks."""

    def __init__(self, path: Path) -> None:
        self.where = f"reading {path}"
        try:
            self._file = open(path, "rb")  # noqa: SIM115 - closed by close()
        except (OSError, ValueError) as error:
            raise FeedOpenError(f"{path}: cannot be opened ({getattr(error, 'strerror', None) or error})") from error

    def read(self, timeout_s: float) -> bytes | None:
        """Return the next block; raise FeedEnded at the end of the file."""
        data = self._file.read(_BLOCK)
        if not data:
            raise FeedEnded("file")
        return data

    def heard(self) -> None:
        """Do nothing: a file has one sender."""

    def close(self) -> None:
        """Give the file back."""
        self._file.close()


class UdpSource:
    """Each datagram holds whole sentences, with or without a line end after the last one."""

    def __init__(self, datagrams: Datagrams) -> None:
        self._datagrams = datagrams
        self.port = datagrams.port
        self.where = datagrams.where

    @property
    def came_from(self) -> str:
        """The sender of the last datagram."""
        return self._datagrams.came_from

    def read(self, timeout_s: float) -> bytes | None:
        """Return the next datagram."""
        data = self._datagrams.receive(timeout_s)
        return data + b"\n" if data else data

    def heard(self) -> None:
        """Take the sender of the last datagram as the one in use."""
        self._datagrams.heard()

    def close(self) -> None:
        """Give the port back."""
        self._datagrams.close()


class TcpSource:
    """A receiver that serves its sentences; ConnectionError when it hangs up."""

    def __init__(self, host: str, port: int) -> None:
        try:
            self._socket = socket.create_connection((host, port), timeout=_CONNECT_S)
        except (OSError, UnicodeError) as error:
            why = getattr(error, "strerror", None) or error
            raise FeedOpenError(f"tcp {host}:{port}: no receiver answers there ({why})") from error

    def read(self, timeout_s: float) -> bytes | None:
        """Return the received bytes."""
        self._socket.settimeout(timeout_s)
        try:
            data = self._socket.recv(_BLOCK)
        except (TimeoutError, BlockingIOError):
            return None
        if not data:
            raise ConnectionError("the receiver closed the connection")
        return data

    def heard(self) -> None:
        """Do nothing: a connection has one sender."""

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()


class SerialSource:
    """A receiver on a serial line (needs the package pyserial)."""

    def __init__(self, device: str, baud: int) -> None:
        try:
            import serial  # an optional package
        except ImportError:
            raise FeedOpenError(
                f"serial {device}: the package pyserial is needed; install it with: pip install pyserial"
            ) from None
        try:
            self._line: Any = serial.serial_for_url(device, baudrate=baud, timeout=0)
        except (OSError, ValueError) as error:  # SerialException is an OSError
            raise FeedOpenError(f"serial {device}: cannot be opened at {baud} baud ({error})") from error

    def read(self, timeout_s: float) -> bytes | None:
        """Return the received bytes; wait for the first."""
        waiting = self._line.in_waiting
        if not waiting:
            self._line.timeout = timeout_s
        data: bytes = self._line.read(min(max(waiting, 1), _BLOCK))
        return data or None

    def heard(self) -> None:
        """Do nothing: a serial line has one sender."""

    def close(self) -> None:
        """Close the line."""
        self._line.close()


class Again:
    """Reopens a lost source, with a growing pause, for as long as the run lasts."""

    def __init__(self, opener: Any, clock: Clock, where: str = "") -> None:
        self.where = where
        self._opener = opener
        self._clock = clock
        self._source: TcpSource | SerialSource | None = opener()
        self._pause_s = _FIRST_RETRY_S
        self._next_s = 0.0

    def read(self, timeout_s: float) -> bytes | None:
        """Return the received bytes; raise OSError once per loss and per failed attempt."""
        if self._source is None:
            wait_s = self._next_s - self._clock.monotonic()
            if wait_s > 0.0:
                self._clock.sleep(min(wait_s, timeout_s))
                return None
            try:
                self._source = self._opener()
            except FeedOpenError as error:
                self._pause_s = min(self._pause_s * 2, _LAST_RETRY_S)
                self._next_s = self._clock.monotonic() + self._pause_s
                raise OSError(str(error)) from error
        try:
            return self._source.read(timeout_s)
        except OSError:
            self._source.close()
            self._source = None
            self._next_s = self._clock.monotonic() + self._pause_s
            raise

    def heard(self) -> None:
        """Reset the pause: the source works."""
        self._pause_s = _FIRST_RETRY_S

    def close(self) -> None:
        """Give back what is held."""
        if self._source is not None:
            self._source.close()
