"""How a run begins and ends: its header, the stop signal, what it leaves on disk beside its streams."""

from __future__ import annotations

import shutil
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from math import nan
from pathlib import Path
from typing import Any

from coach.app.live.drive_options import DriveOptions
from coach.app.paths import new_session_folder, sessions_folder
from coach.app.sources import Feed
from coach.identity import VERSION
from coach.session.header import Header
from coach.session.writer import SessionWriter


def record_into(options: DriveOptions, feed: Feed, circuit: str, name: str) -> tuple[Path, Header]:
    """Return the folder of a run that begins now and its header; ``name`` is that of a new folder."""
    now = datetime.now().astimezone()
    folder = options.record or new_session_folder(sessions_folder(), name, now)
    return folder, Header(
        session=folder.name,
        started_at=now.isoformat(timespec="seconds"),
        feed=options.asked.feed,
        circuit=circuit,
        driver=options.driver,
        real_car=feed.real_car,
        latency_s=feed.latency_s,
        coach_version=VERSION,
        units=options.heard.units,
    )


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


@contextmanager
def interrupts(stop: threading.Event) -> Iterator[None]:
    """Set ``stop`` on SIGINT and SIGTERM instead of raising; works on the main thread only and does nothing
    elsewhere.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {n: signal.signal(n, lambda *_: stop.set()) for n in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
