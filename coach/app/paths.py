"""Paths and file names of the coach's data on this machine, and the newest session."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

import platformdirs

from coach.errors import CoachError
from coach.identity import APP
from coach.outputs.base import Notice
from coach.profile.store import PROFILE_NAME, added_profiles, profile_paths
from coach.session.header import HEADER_FILE
from coach.session.reader import SessionReader


class NothingYetError(CoachError):
    """There is no session on this machine yet."""


def newest_session(say: Notice) -> Path:
    """Return the latest session with frames and announce it through ``say``. Raise NothingYetError if there is none."""
    folders = [p.parent for p in sessions_folder().glob(f"*/{HEADER_FILE}")]
    for folder in sorted(folders, key=lambda p: (p / HEADER_FILE).stat().st_mtime, reverse=True):
        if _holds_frames(folder):
            say(f"newest session: {folder}")
            return folder
    raise NothingYetError(f"no session given and none in {sessions_folder()} yet; record one with coach drive")


def newest_profile(say: Notice) -> str:
    """Return the latest added, made or edited profile; a shipped one if there is none."""
    own = [*added_profiles().values(), *(p.parent for p in sessions_folder().glob(f"*/profile/{PROFILE_NAME}"))]
    if own:
        found = max(own, key=lambda p: (p / PROFILE_NAME).stat().st_mtime)
        say(f"newest profile: {found}")
        return str(found)
    name = next(iter(profile_paths()))
    say(f"no profile of your own yet: {name}, which ships with the coach")
    return name


def _holds_frames(folder: Path) -> bool:
    try:
        return any(len(batch) for batch in SessionReader(folder).batches(1))
    except CoachError:
        return False


def sessions_folder() -> Path:
    """Return the default folder of recorded sessions."""
    return Path(platformdirs.user_data_dir(APP)) / "sessions"


def known_file(driver: str, circuit: str) -> Path:
    """Return the file that stores a driver's progress on a circuit."""
    return Path(platformdirs.user_data_dir(APP)) / "drivers" / slug(driver or "driver") / f"{slug(circuit)}.json"


def new_session_folder(parent: Path, circuit: str, now: datetime) -> Path:
    """Return a new folder's path, named by time and circuit."""
    base = parent / f"{now:%Y-%m-%d_%H-%M-%S}_{slug(circuit)}"
    folder, count = base, 1
    while folder.exists():
        count += 1
        folder = base.with_name(f"{base.name}_{count}")
    return folder


def slug(text: str) -> str:
    """Return ``text`` as a file name: lower case letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "unnamed"
