"""The feeds there are: data, so that a feed is imported only when it is used. Other packages can add theirs.

A package adds a feed by an entry point in the group ``corner_coach.feeds`` (see the Python packaging standard for
entry points): its name is what ``--feed`` takes, its value a class of ``feeds.base.Feed`` whose keyword arguments
are set by ``--option NAME=VALUE``, as text.
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
"""Name -> ``module:class`` of those that ship; one of another package can not take their names."""
GROUP: Final = "corner_coach.feeds"


@cache
def added_feeds() -> dict[str, EntryPoint]:
    """The feeds that installed packages add, by name."""
    return {point.name: point for point in entry_points(group=GROUP) if point.name not in FEEDS}


def feed_class(name: str) -> type[Feed]:
    """The class of the feed ``name``; FeedOpenError names the feeds there are, or what is wrong with an added one."""
    if name in FEEDS:
        module, _, attribute = FEEDS[name].partition(":")
        found: type[Feed] = getattr(import_module(module), attribute)
        return found
    point = added_feeds().get(name)
    if point is None:
        raise FeedOpenError(f"feed: expected one of {', '.join([*FEEDS, *added_feeds()])}; found {name!r}")
    try:
        loaded = point.load()
    except Exception as error:  # code of another package: whatever it raises, the user gets one line
        raise FeedOpenError(
            f"feed {name!r} ({point.value}) can not be loaded: {type(error).__name__}: {error}"
        ) from error
    if not (isinstance(loaded, type) and issubclass(loaded, Feed)):
        raise FeedOpenError(f"feed {name!r} ({point.value}): expected a class of feeds.base.Feed, found {loaded!r}")
    return loaded
