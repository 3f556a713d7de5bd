"""The first drive on a circuit that has no profile yet: recorded, so that a survey can make one; nothing is said."""

from __future__ import annotations

import threading
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from coach import __version__
from coach.app.engine import MOST_FRAMES, WAIT_S, Tally
from coach.app.interrupt import interrupts
from coach.app.places import new_session_folder, sessions_folder
from coach.app.sources import REAL_CAR, Feed, FeedOptions, source_of
from coach.core.columns import Columns
from coach.outputs.base import Notice
from coach.session.header import Header
from coach.session.writer import SessionWriter
from feeds.errors import FeedEnded

NO_PROFILE = "no profile: this run is only recorded; make one from it with coach survey, then drive with --profile"


def record_only(
    asked: FeedOptions, folder: Path | None, driver: str, notice: Notice
) -> tuple[Tally, SessionWriter, Feed]:
    """Record until the feed ends or Ctrl-C; the caller closes the writer. Raises FeedError, SessionError."""
    stop = threading.Event()
    tally = Tally()
    now = datetime.now().astimezone()
    with source_of(asked).open() as feed:
        for line in REAL_CAR if feed.real_car else ():
            notice(line)
        notice(NO_PROFILE)
        target = folder or new_session_folder(sessions_folder(), "first-drive", now)
        header = Header(
            session=target.name,
            started_at=now.isoformat(timespec="seconds"),
            feed=asked.feed,
            driver=driver,
            real_car=feed.real_car,
            latency_s=feed.latency_s,
            coach_version=__version__,
        )
        writer = SessionWriter(target, header, {}, notice)
        with interrupts(stop), suppress(FeedEnded):
            while not stop.is_set():
                frames = feed.read_many(MOST_FRAMES, WAIT_S)
                if frames:
                    writer.frames(Columns.of(frames))
                    tally.frames += len(frames)
        return tally, writer, feed
