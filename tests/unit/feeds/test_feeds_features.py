from __future__ import annotations

import pytest

from feeds.base import Channels, Feed
from feeds.errors import FeedOpenError
from feeds.features import FEATURES, features
from feeds.frame import Frame
from feeds.registry import FEEDS, feed_class

SATELLITE = Channels(
    frozenset({"t_s", "x_m", "y_m", "z_m", "speed_mps", "throttle", "brake"}), frozenset({"throttle", "brake"})
)


def test_a_satellite_receiver_allows_this_much() -> None:
    """Measured place and speed are on, pedals inferred and what they can not carry said, the rest off."""
    state = {f.name: f.state for f in features(SATELLITE)}
    assert "on" == state["apex, exit and turn-in by the path"] == state["lowest and exit speed"] == state["gradient"]
    assert "inferred" == state["brake points"] == state["throttle points"] == state["coasting"]
    assert "off" == state["gear"] == state["track limits"] == state["steering corrections"]
    why = {f.name: f.why for f in features(SATELLITE)}
    assert [need.name for need in FEATURES] == list(why)
    assert "the source gives no gear" == why["gear"]
    assert why["brake points"].startswith("brake inferred from the motion: good to some 4 m")


def test_everything_or_nothing() -> None:
    """A source with all fields has all features on; one with none has them all off."""
    everything = Channels(frozenset(Frame.__struct_fields__), frozenset())
    assert {"on"} == {f.state for f in features(everything)}
    assert {"off"} == {f.state for f in features(Channels(frozenset(), frozenset()))}


def test_lap_distance_alone_is_a_place() -> None:
    """Without x and y the lap distance carries the time against the reference, but no lines."""
    state = {f.name: f.state for f in features(Channels(frozenset({"t_s", "lap_distance_m"}), frozenset()))}
    assert ("on", "off") == (state["time against the reference"], state["apex, exit and turn-in by the path"])


@pytest.mark.parametrize("name", ["practice", "udp", "map", "nmea", "replay"])
def test_registry(name: str) -> None:
    """Every registered feed is there under its name."""
    found = feed_class(name)
    assert issubclass(found, Feed)
    assert name == found.name


def test_unknown_feeds_are_named() -> None:
    """A feed that is not known names those that are."""
    with pytest.raises(FeedOpenError, match="feed: expected one of " + ", ".join(FEEDS) + ".*; found 'nix'"):
        feed_class("nix")
