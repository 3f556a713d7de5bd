"""Our own datagram over UDP: the feed, bound to this machine only by default, and the sender."""

from __future__ import annotations

import socket
import time
from collections import deque
from collections.abc import Iterable
from typing import ClassVar, Final

import msgspec

from feeds.base import Feed
from feeds.clock import Clock, Pacer
from feeds.counters import Sequence
from feeds.datagrams import Datagrams, unknown_fields, why_refused
from feeds.errors import FeedOpenError
from feeds.frame import Frame
from feeds.messages import Format, decode, encode
from feeds.packet_map.diagnostics import live_diagnostics
from feeds.plane import Plane, plane_of


class SendCounts(msgspec.Struct, frozen=True):
    """Datagrams and bytes sent, and datagrams the system refused."""

    datagrams: int
    bytes: int
    refused: int


def send(
    frames: Iterable[Frame],
    host: str = "127.0.0.1",
    port: int = 20_770,
    speed: float = 1.0,
    fmt: Format = "msgpack",
    clock: Clock | None = None,
) -> SendCounts:
    """Send each frame when due; number frames that have no sequence number.

    ``speed`` N times real time, ``math.inf`` without waiting (a receiver may then lose some). Raise FeedOpenError for
    an unknown address.
    """
    clock = clock or time
    pacer = Pacer(speed, clock)
    count = size = refused = 0
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
    except (OSError, UnicodeError, OverflowError) as error:
        raise FeedOpenError(f"udp {host}:{port}: the address is not known on this machine ({error})") from error
    with socket.socket(family, kind, protocol) as out:
        for number, frame in enumerate(frames):
            pacer.wait(frame.t_s)
            data = encode(frame if frame.seq is not None else msgspec.structs.replace(frame, seq=number), fmt)
            try:
                out.sendto(data, address)
            except OSError:
                # nobody listens, or the network is down: live telemetry is not resent
                refused += 1
                continue
            count += 1
            size += len(data)
    return SendCounts(count, size, refused)


DEFAULT_PORT: Final = 20_770
"""A port with no registered use (IANA service names and port numbers list, from memory)."""

_RECENT: Final = 180
"""Number of frames used to check units while driving: 3 s at 60 Hz."""


class UdpFeed(Feed):
    """Listens on ``host``:``port``; port 0 takes a free one, see ``port``. Raises FeedOpenError if it cannot be bound.

    Frames with latitude and longitude but no x and y are projected onto the plane around ``origin`` (degrees), or
    around their first position.
    """

    name: ClassVar[str] = "udp"

    def __init__(
        self,
        host: str = "127.0.0.1",
        port: int = DEFAULT_PORT,
        *,
        origin: tuple[float, float] | None = None,
        real_car: bool = False,
        clock: Clock | None = None,
    ) -> None:
        super().__init__(clock)
        self.real_car = real_car
        self._plane = plane_of(origin)
        self._datagrams = Datagrams(host, port, self.counters, self._clock)
        self._sequence = Sequence(self.counters)
        self.port = self._datagrams.port
        self._refused = self._taken = b""
        self._recent: deque[Frame] = deque(maxlen=_RECENT)

    @property
    def where(self) -> str:
        """The address it listens on."""
        return self._datagrams.where

    @property
    def sender(self) -> str:
        """The sender of the last datagram."""
        return self._datagrams.came_from

    def remedy(self, kind: str) -> str:
        """Return the field that invalidates a datagram, and how to fix it."""
        return why_refused(self._refused) if kind == "malformed" else super().remedy(kind)

    def diagnostics(self) -> list[tuple[str, str]]:
        """Return unknown fields of the datagram, and units that the latest frames contradict."""
        units = [
            (field, f"{field}: {text.replace('try unit:', 'it looks like')}; send {field} in SI units")
            for field, text in live_diagnostics(list(self._recent))
            if field
        ]
        return (unknown_fields(self._taken) if self._taken else []) + units

    @property
    def plane(self) -> Plane | None:
        """The plane in use; None until a frame needs one."""
        return self._plane

    def _receive(self, timeout_s: float) -> Iterable[Frame] | None:
        data = self._datagrams.receive(timeout_s)
        if data is None:
            return None
        if not data:
            return ()
        frame = decode(data)
        if frame is None:
            self.counters.add("malformed")
            self._refused = data
            return ()
        self._taken = data
        self._datagrams.heard()
        if frame.seq is not None and self._sequence.seen(frame.seq):
            self.counters.add("duplicate")
            return ()
        if frame.x_m != frame.x_m and frame.lat_deg == frame.lat_deg:
            frame = self._on_plane(frame)
        self._recent.append(frame)
        return (frame,)

    def _on_plane(self, frame: Frame) -> Frame:
        if not (-90.0 <= frame.lat_deg <= 90.0 and -180.0 <= frame.lon_deg <= 180.0):
            return frame  # rejected by the gate
        if self._plane is None:
            self._plane = Plane(frame.lat_deg, frame.lon_deg)
        x, y = self._plane.to_xy(frame.lat_deg, frame.lon_deg)
        return msgspec.structs.replace(frame, x_m=x, y_m=y)

    def _close(self) -> None:
        self._datagrams.close()
