"""The only place where the coach uses the feeds.

This module has live feeds and senders; ``files`` has the importers and ``maps`` the packet maps, so that a run loads
only what it needs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from inspect import signature
from pathlib import Path
from typing import Any

from coach.errors import CoachError
from coach.session.reader import SessionReader
from feeds.base import Channels, Feed
from feeds.counters import explain as count_lines
from feeds.features import REAL_CAR, features
from feeds.plane import Plane
from feeds.registry import FEEDS, feed_class
from feeds.udp import SendCounts
from feeds.udp import send as send_frames

__all__ = ["REAL_CAR", "Channels", "Feed", "Plane", "count_lines", "features"]


class SourceError(CoachError):
    """An invalid address or speed."""


@dataclass(frozen=True)
class FeedSource:
    """A feed and its options: ``options`` are the keyword arguments of its class."""

    name: str
    options: dict[str, Any] = field(default_factory=dict)

    def open(self) -> Feed:
        """Open the feed; raise FeedError, or SourceError for options an added feed does not accept."""
        kind = feed_class(self.name)
        if self.name not in FEEDS:
            try:
                signature(kind).bind(**self.options)
            except TypeError:
                takes = ", ".join(signature(kind).parameters) or "none"
                raise SourceError(
                    f"--option: feed {self.name}: expected options of {takes}; found {', '.join(self.options)}"
                ) from None
        return kind(**self.options)


def speed_of(text: str) -> float:
    """Return ``max`` or a number above 0; raise SourceError otherwise."""
    if text == "max":
        return float("inf")
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.0 < speed < float("inf"):
        raise SourceError(f"speed: expected max, or a number above 0; found {text!r}")
    return speed


def options_of(pairs: list[str]) -> dict[str, str]:
    """Return ``NAME=VALUE`` pairs; raise SourceError otherwise."""
    for pair in pairs:
        if not pair.partition("=")[0].isidentifier() or "=" not in pair:
            raise SourceError(f"--option: expected NAME=VALUE, found {pair!r}")
    return {name: value for name, _, value in (pair.partition("=") for pair in pairs)}


def address_of(text: str) -> tuple[str, int]:
    """Return ``HOST:PORT``; raise SourceError otherwise."""
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise SourceError(f"address: expected HOST:PORT with a port from 1 to 65535, found {text!r}")
    return host.strip("[]"), int(port)


def send_session(session: Path, to: str, speed: str, as_text: bool) -> SendCounts:
    """Play a session as datagrams; raise SessionError, SourceError or FeedError on failure."""
    host, port = address_of(to)
    frames = (frame for batch in SessionReader(session).batches() for frame in batch.frames())
    return send_frames(frames, host, port, speed_of(speed), "json" if as_text else "msgpack")


@dataclass(frozen=True)
class FeedOptions:
    """Feed options of the command line."""

    feed: str = "practice"
    host: str = "127.0.0.1"
    port: int | None = None
    packet_map: Path | None = None
    capture: Path | None = None
    receiver: str = ""
    latency_s: float = 0.1
    session: Path | None = None
    speed: str = "1"
    seed: int = 1
    rate_hz: float = 60.0
    laps: int | None = None
    options: dict[str, str] = field(default_factory=dict)
    """Values of ``--option`` for an added feed."""


def source_of(asked: FeedOptions, origin: tuple[float, float] | None = None) -> FeedSource:
    """Return the requested feed; raise SourceError if it lacks an option.

    ``origin`` (degrees) is that of the reference's plane, for feeds that give latitude and longitude.
    """
    pace = speed_of(asked.speed)
    if asked.feed not in FEEDS:
        return FeedSource(asked.feed, dict(asked.options))
    if asked.options:
        raise SourceError(f"--option: expected a feed that another package adds, found feed {asked.feed}")
    if asked.feed == "practice":
        return FeedSource("practice", {"seed": asked.seed, "rate_hz": asked.rate_hz, "laps": asked.laps, "speed": pace})
    if asked.feed == "replay":
        if asked.session is None:
            raise SourceError("feed replay needs --session FOLDER")
        return FeedSource("replay", {"path": asked.session, "speed": pace})
    if asked.feed == "nmea":
        if not asked.receiver:
            raise SourceError("feed nmea needs --receiver udp:HOST:PORT, tcp:HOST:PORT, serial:DEVICE or file:PATH")
        options = {"source": asked.receiver, "speed": pace, "latency_s": asked.latency_s, "origin": origin}
        return FeedSource("nmea", options)
    options = {"host": asked.host, "origin": origin}
    if asked.port is not None:
        options["port"] = asked.port
    if asked.feed == "map":
        if asked.packet_map is None:
            raise SourceError("feed map needs --map FILE")
        options |= {"packet_map": asked.packet_map, "capture": asked.capture, "speed": pace}
    return FeedSource(asked.feed, options)
