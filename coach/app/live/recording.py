"""Files of a run besides its streams: the feed's header fields; removes the folder of a run without data."""

from __future__ import annotations

import shutil
from math import nan
from pathlib import Path
from typing import Any

from coach.app.sources import Feed
from coach.session.writer import SessionWriter


def learned(feed: Feed) -> dict[str, Any]:
    """Return the header fields of a feed, known once frames arrive."""
    channels, plane = feed.channels, feed.plane
    out: dict[str, Any] = {
        "given": tuple(sorted(channels.given)),
        "inferred": tuple(sorted(channels.inferred)),
        "latency_s": feed.latency_s,
    }
    if plane is not None:
        out |= {"origin_lat_deg": plane.lat_deg, "origin_lon_deg": plane.lon_deg}
    return out


def kept_folder(writer: SessionWriter, frames: int, named: bool) -> Path | None:
    """Return the session's folder; None if no frame arrived; then remove a folder that the driver did not name."""
    if frames or named:
        return writer.folder
    shutil.rmtree(writer.folder, ignore_errors=True)
    return None


def origin_of(feed: Feed) -> tuple[float, float]:
    """Return the origin of the feed's plane [degrees]; NaN without one."""
    plane = feed.plane
    return (plane.lat_deg, plane.lon_deg) if plane is not None else (nan, nan)
