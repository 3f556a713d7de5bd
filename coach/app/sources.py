"""The one place where the coach reaches the feeds: it opens them by name and sends sessions out."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from coach.errors import CoachError
from coach.session.reader import SessionReader
from feeds.base import Feed
from feeds.registry import feed_class
from feeds.send import Sent
from feeds.send import send as send_frames


class SourceError(CoachError):
    """An address or a speed that can not be understood."""


@dataclass(frozen=True)
class Source:
    """Which feed, and how it is opened: ``options`` are the keyword arguments of its class."""

    name: str
    options: dict[str, Any] = field(default_factory=dict)

    def open(self) -> Feed:
        """The feed; raises FeedError."""
        return feed_class(self.name)(**self.options)


def speed_of(text: str) -> float:
    """``max`` or a number above 0; SourceError otherwise."""
    if text == "max":
        return float("inf")
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.0 < speed < float("inf"):
        raise SourceError(f"speed: found {text!r}; allowed max, or a number above 0")
    return speed


def address_of(text: str) -> tuple[str, int]:
    """``HOST:PORT``; SourceError otherwise."""
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise SourceError(f"address: found {text!r}; allowed HOST:PORT with a port from 1 to 65535")
    return host.strip("[]"), int(port)


def send_session(session: Path, to: str, speed: str, as_text: bool) -> Sent:
    """Play a session as datagrams; raises SessionError, SourceError, FeedError."""
    host, port = address_of(to)
    frames = (frame for batch in SessionReader(session).batches() for frame in batch.frames())
    return send_frames(frames, host, port, speed_of(speed), "json" if as_text else "msgpack")


def source_of(
    feed: str,
    host: str,
    port: int | None,
    packet_map: Path | None,
    session: Path | None,
    speed: str,
    seed: int,
    rate: float,
    laps: int | None,
) -> Source:
    """The feed that the command line asks for; SourceError when an option it needs is missing."""
    pace = speed_of(speed)
    if feed == "practice":
        return Source(feed, {"seed": seed, "rate_hz": rate, "laps": laps, "speed": pace})
    if feed == "replay":
        if session is None:
            raise SourceError("feed replay needs --session FOLDER")
        return Source(feed, {"path": session, "speed": pace})
    options: dict[str, Any] = {"host": host}
    if port is not None:
        options["port"] = port
    if feed == "map":
        if packet_map is None:
            raise SourceError("feed map needs --map FILE")
        options["path"] = packet_map
    return Source(feed, options)
