"""The other end of the bus: the newest state, and every event in order."""

from __future__ import annotations

from pathlib import Path

import zmq

from coach.errors import OutputError
from coach.outputs.bus.keys import check_address, unlock
from coach.outputs.bus.table import EVENT_BACKLOG, EVENT_TOPICS, STATE_TOPICS, Message, decode, prefix


class Subscriber:
    """Listens to a bus on one thread; connecting never waits, and the bus may start later or restart.

    ``state`` false: events only, so that its reader does not wake 30 times a second. ``strange`` counts foreign frames.
    The constructor raises OutputError for a bad address or keys.
    """

    def __init__(self, address: str, keys: Path | None = None, state: bool = True) -> None:
        check_address(address, keys, binds=False)
        self.strange = 0
        self._context = zmq.Context()
        try:
            self._events = self._connect(address, keys, conflate=False)
            self._state = self._connect(address, keys, conflate=True) if state else None
        except (zmq.ZMQError, OutputError) as error:
            self._context.destroy(linger=0)
            if isinstance(error, OutputError):
                raise
            raise OutputError(f"bus address {address}: {error.strerror or error}") from error
        self._poller = zmq.Poller()
        for socket in (self._events, self._state):
            if socket is not None:
                self._poller.register(socket, zmq.POLLIN)

    def _connect(self, address: str, keys: Path | None, conflate: bool) -> zmq.Socket[bytes]:
        socket = self._context.socket(zmq.SUB)
        socket.linger = 0
        if conflate:
            socket.conflate = True
        else:
            socket.rcvhwm = EVENT_BACKLOG
        # reconnect quickly to a restarted engine, with growing pauses for an absent one
        socket.reconnect_ivl = 50
        socket.reconnect_ivl_max = 2000
        if keys is not None:
            unlock(socket, keys)
        for name in STATE_TOPICS if conflate else EVENT_TOPICS:
            socket.subscribe(prefix(name))
        socket.connect(address)
        return socket

    def read(self, wait_s: float) -> list[Message]:
        """Return received events in order, then the newest state; empty if nothing arrives within ``wait_s``."""
        out: list[Message] = []
        ready = dict(self._poller.poll(round(wait_s * 1000)))
        if self._events in ready:
            while self._take(self._events, out):
                pass
        if self._state is not None and self._state in ready:
            self._take(self._state, out)  # it never queues more than one
        return out

    def _take(self, socket: zmq.Socket[bytes], out: list[Message]) -> bool:
        """Return one message, if there is one."""
        try:
            frame = socket.recv(zmq.NOBLOCK)
        except zmq.Again:
            return False
        try:
            out.append(decode(frame))
        except OutputError:
            self.strange += 1
        return True

    def close(self) -> None:
        """Stop listening."""
        self._context.destroy(linger=0)
