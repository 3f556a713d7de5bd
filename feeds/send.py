"""Sends frames as our own datagrams, to try the live path with real sockets."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterable

import msgspec

from feeds.clock import Clock, Pacer
from feeds.errors import FeedOpenError
from feeds.frame import Frame
from feeds.messages import Format, encode


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
