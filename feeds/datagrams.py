"""A UDP socket that listens to one sender at a time."""

from __future__ import annotations

import errno
import socket
from typing import Final

from feeds.clock import Clock
from feeds.counters import Counters
from feeds.errors import FeedOpenError

SILENCE_S: Final = 2.0
"""A second sender is accepted only after the first was silent this long."""
_MAX_DATAGRAM: Final = 65_535
_BUFFER: Final = 1 << 20
"""Room for some seconds of datagrams while the engine is busy; the system may grant less."""


class Datagrams:
    """Bound on opening; ``receive`` gives raw datagrams of the sender in use.

    The first sender whose datagram decodes (``heard``) stays in use until it is silent for two seconds. Raises
    FeedOpenError if the port cannot be bound.
    """

    def __init__(self, host: str, port: int, counters: Counters, clock: Clock) -> None:
        where = f"udp {host}:{port}"
        if not 0 <= port <= 65_535:
            raise FeedOpenError(f"{where}: expected a port from 0 to 65535")
        self._counters = counters
        self._clock = clock
        self._sender: object = None
        self._candidate: object = None
        self._heard_s = float("-inf")
        self.came_from = ""
        """Address of the last datagram, HOST:PORT."""
        self._came_from: object = None
        try:
            family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
            self._socket = socket.socket(family, kind, protocol)
        except (OSError, UnicodeError) as error:
            raise FeedOpenError(f"{where}: the address is not known on this machine ({error})") from error
        try:
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER)
            self._socket.bind(address)
        except OSError as error:
            self._socket.close()
            raise FeedOpenError(f"{where}: {_why(error)}") from error
        # the same socket twice, as changing a timeout is a system call: one blocks, one polls
        self._at_once = self._socket.dup()
        self._at_once.settimeout(0.0)
        self._timeout_s = 0.0
        self.port: int = self._socket.getsockname()[1]
        self.where = f"listening on {host}:{self.port}"

    def receive(self, timeout_s: float) -> bytes | None:
        """Return one datagram; empty when one came from another sender; None when none came in time. May
        raise OSError.
        """
        inlet = self._at_once
        if timeout_s > 0.0:
            inlet = self._socket
            if timeout_s != self._timeout_s:
                self._timeout_s = timeout_s
                inlet.settimeout(timeout_s)
        try:
            data, sender = inlet.recvfrom(_MAX_DATAGRAM)
        except (TimeoutError, BlockingIOError):
            return None
        self._counters.add("received")
        if sender != self._came_from:
            self._came_from, self.came_from = sender, f"{sender[0]}:{sender[1]}"
        if sender != self._sender and self._clock.monotonic() - self._heard_s <= SILENCE_S:
            self._counters.add("other_sender")
            return b""
        self._candidate = sender
        return data

    def heard(self) -> None:
        """Mark the last datagram as good: its sender is now the one in use."""
        if self._candidate != self._sender:
            if self._sender is not None:
                self._counters.add("sender_changed")
            self._sender = self._candidate
        self._heard_s = self._clock.monotonic()

    def close(self) -> None:
        """Release the port."""
        self._at_once.close()
        self._socket.close()


def _why(error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return "the port is in use by another program; stop that program or choose another port"
    if error.errno == errno.EACCES:
        return "this port needs more rights; choose one from 1024 to 65535"
    if error.errno == errno.EADDRNOTAVAIL:
        return "this machine does not have that address; 127.0.0.1 hears this machine, 0.0.0.0 all networks"
    return f"the port cannot be opened ({error.strerror or error})"
