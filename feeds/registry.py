"""The feeds there are: data, so that a feed is imported only when it is used."""

from __future__ import annotations

from importlib import import_module
from typing import Final

from feeds.base import Feed
from feeds.errors import FeedOpenError

FEEDS: Final = {
    "practice": "feeds.practice.feed:PracticeFeed",
    "udp": "feeds.udp:UdpFeed",
    "map": "feeds.packet_map.feed:PacketMapFeed",
    "nmea": "feeds.nmea.feed:NmeaFeed",
    "replay": "feeds.replay:ReplayFeed",
}
"""Name -> ``module:class``."""


def feed_class(name: str) -> type[Feed]:
    """The class of the feed ``name``; FeedOpenError names the feeds there are."""
    try:
        module, _, attribute = FEEDS[name].partition(":")
    except KeyError:
        raise FeedOpenError(f"feed {name!r} is not known; there are: {', '.join(FEEDS)}") from None
    found: type[Feed] = getattr(import_module(module), attribute)
    return found
