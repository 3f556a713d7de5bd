"""Paths and file names of the coach's data on this machine."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

import platformdirs

from coach.identity import APP


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
