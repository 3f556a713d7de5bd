"""Shipped profiles are read-only: the first edit makes a copy among the driver's own."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from coach.errors import ProfileError
from coach.profile.store import added_folder, profile_paths


def is_shipped(path: Path) -> bool:
    """Return whether the profile at ``path`` (its file or folder) is shipped."""
    return _folder(path) in {p.resolve() for p in profile_paths().values()}


def own_path(path: Path) -> Path:
    """Return where an edit of the profile file ``path`` is written: the own copy of a shipped one, else ``path``
    itself.
    """
    if not is_shipped(path):
        return path
    folder = _folder(path)
    return added_folder() / folder.name / (path.name if path.suffix else "")


def own_copy(path: Path) -> Path:
    """Return the same and create the copy if missing. Raise ProfileError on failure."""
    target = own_path(path)
    folder = target.parent if target.suffix else target
    if target == path or folder.exists():
        return target
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        # whole or not at all: half a copy would look like a profile
        with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".copy-") as parts:
            shutil.copytree(_folder(path), Path(parts) / "profile")
            (Path(parts) / "profile").rename(folder)
    except OSError as error:
        raise ProfileError(str(folder), f"the shipped profile cannot be copied here ({error.strerror})") from error
    return target


def _folder(path: Path) -> Path:
    return (path.parent if path.suffix else path).resolve()
