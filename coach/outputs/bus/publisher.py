"""The engine's end of the bus: every call hands one frame to ZeroMQ and returns.

A PUB socket never blocks: it drops messages for a slow or dead subscriber once its queue is full.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from pathlib import Path

import zmq

from coach.core.values import Decision, LapDone, View
from coach.errors import OutputError
from coach.outputs.bus.keys import Guard, check_address
from coach.outputs.bus.table import BY_NAME, EVENT_BACKLOG, Beat, Bye, Message, Volume, encode

LOOPBACK = "tcp://127.0.0.1:*"


class BusOutput:
    """Publishes views (at most at the table's rate), decisions, laps, and a beat.

    Subscribers connect to ``address``. For an address reachable from other machines, ``keys`` must be a folder made by
    ``make_keys``. The constructor raises OutputError if the address is unusable or keys are missing.
    """

    def __init__(
        self,
        address: str = LOOPBACK,
        keys: Path | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        check_address(address, keys, binds=True)
        self._clock = clock
        self._view_due = self._beat_due = float("-inf")
        self._state = ""
        self._beats = 0
        self._context = zmq.Context()
        self._guard: Guard | None = None
        try:
            self._socket = self._context.socket(zmq.PUB)
            self._socket.sndhwm = EVENT_BACKLOG
            self._socket.linger = 200
            if keys is not None:
                self._guard = Guard(self._context, keys)
                self._guard.protect(self._socket)
            self._socket.bind(address)
        except (zmq.ZMQError, OutputError) as error:
            self._end()
            if isinstance(error, OutputError):
                raise
            raise OutputError(f"bus address {address}: {error.strerror or error}") from error
        self.address = self._socket.getsockopt_string(zmq.LAST_ENDPOINT)

    def view(self, view: View) -> None:
        """Publish a state: at once when its kind changed, else at most 30 times a second."""
        now = self._clock()
        if now >= self._view_due or view.state != self._state:
            self._view_due = now + 1 / BY_NAME["view"].rate_hz
            self._state = view.state
            self._send(view)
        if now >= self._beat_due:
            self.beat()

    def beat(self) -> None:
        """Publish a sign of life; ``view`` does so itself, call it while there are no views."""
        self._beat_due = self._clock() + 1 / BY_NAME["beat"].rate_hz
        self._beats += 1
        self._send(Beat(self._beats))

    def decision(self, decision: Decision) -> None:
        """Publish a decision."""
        self._send(decision)

    def lap(self, lap: LapDone) -> None:
        """Publish a lap."""
        self._send(lap)

    def set_volume(self, share: float) -> None:
        """Publish the voice's volume, 0..1."""
        self._send(Volume(share))

    def close(self) -> None:
        """Publish the end of the run and release the address; a second call does nothing."""
        if not self._socket.closed:
            self._send(Bye("the run ended"))
            self._end()

    def _send(self, message: Message) -> None:
        # PUB drops by itself; Again only covers a socket without a peer pipe
        with contextlib.suppress(zmq.Again):
            self._socket.send(encode(message), zmq.NOBLOCK)

    def _end(self) -> None:
        self._socket.close()
        if self._guard is not None:
            self._guard.close()
        self._context.term()
