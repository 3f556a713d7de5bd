"""Writes files so that a crash, a full disk or a second writer never leaves half a file."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path


def write_atomically(path: Path, data: bytes, *, durable: bool = True) -> None:
    """Replace ``path`` by ``data`` atomically. Raise OSError on failure.

    A symbolic link stays a link (its target is replaced) and permissions stay as they were. Without ``durable`` the
    call does not wait for the disk: a power cut may lose the file, as for a cache.
    """
    target = path.resolve()
    mode = target.stat().st_mode & 0o777 if target.exists() else 0o644
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".tmp")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            if durable:
                file.flush()
                os.fsync(file.fileno())
        os.chmod(name, mode)
        os.replace(name, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise
