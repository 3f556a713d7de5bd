"""The registry of feeds: data, so that a feed is imported only on use. Other packages can add feeds.

A package adds a feed by an entry point in the group ``corner_coach.feeds`` (see the Python packaging standard for entry
points): ``--feed`` selects it by name; its value is a class of ``feeds.base.Feed`` that receives ``--option
NAME=VALUE`` as keyword arguments of type str.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
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
"""Name -> ``module:class`` of the shipped feeds; other packages cannot take their names."""
GROUP: Final = "corner_coach.feeds"


@cache
def added_feeds() -> dict[str, EntryPoint]:
    """Return the feeds that installed packages add, by name."""
    return {point.name: point for point in entry_points(group=GROUP) if point.name not in FEEDS}


def feed_class(name: str) -> type[Feed]:
    """Return the class of the feed ``name``; raise FeedOpenError for an unknown name or a broken added feed."""
    if name in FEEDS:
        module, _, attribute = FEEDS[name].partition(":")
        found: type[Feed] = getattr(import_module(module), attribute)
        return found
    point = added_feeds().get(name)
    if point is None:
        raise FeedOpenError(f"feed: expected one of {', '.join([*FEEDS, *added_feeds()])}; found {name!r}")
    try:
        loaded = point.load()
    except Exception as error:  # code of another package may raise anything; the user gets one line
        raise FeedOpenError(
            f"feed {name!r} ({point.value}) cannot be loaded: {type(error).__name__}: {error}"
        ) from error
    if not (isinstance(loaded, type) and issubclass(loaded, Feed)):
        raise FeedOpenError(f"feed {name!r} ({point.value}): expected a class of feeds.base.Feed, found {loaded!r}")
    return loaded
