"""Limits on logged files: special files and files too large or too wide are refused before they use memory."""

from __future__ import annotations

import stat
from pathlib import Path
from typing import Final

from feeds.errors import FeedFormatError, FeedOpenError

MAX_FILE_BYTES: Final = 512 * 1024 * 1024
MAX_VALUES: Final = 40_000_000
"""Rows times columns: 320 MB as float64 keeps an import under 1 GB, which allows 55 columns for two hours at 100 Hz."""
MAX_COLUMNS: Final = 2000
MAX_LINE: Final = 100_000
"""Characters in one line of a text file; the csv module gives up at 131,072 in one field."""


def check_plain_file(path: Path) -> None:
    """Raise FeedOpenError if ``path`` is not a file, FeedFormatError if it is a device, a pipe or too large."""
    try:
        found = path.stat()
    except FileNotFoundError as error:
        raise FeedOpenError(f"{path}: no such file") from error
    except (OSError, ValueError) as error:
        raise FeedOpenError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})") from error
    if stat.S_ISDIR(found.st_mode):
        raise FeedOpenError(f"{path}: expected a file, found a folder")
    if not stat.S_ISREG(found.st_mode):
        raise FeedFormatError(f"{path}: expected a plain file, found a device, pipe or socket")
    if found.st_size > MAX_FILE_BYTES:
        raise FeedFormatError(
            f"{path}: expected at most {MAX_FILE_BYTES // 2**20} MB, found {found.st_size / 2**20:.0f} MB: cut it"
        )


def check_size(path: Path, rows: int, columns: int) -> None:
    """Raise FeedFormatError if a table of ``rows`` x ``columns`` exceeds the limit."""
    if columns > MAX_COLUMNS:
        raise FeedFormatError(f"{path}: expected at most {MAX_COLUMNS} columns, found {columns}")
    if rows * columns > MAX_VALUES:
        raise FeedFormatError(
            f"{path}: expected at most {MAX_VALUES // 10**6} million values, found {rows} rows of {columns} columns: "
            "cut the record or leave columns out"
        )


def printable(name: str) -> str:
    """Return a column's name with control characters escaped, as they could control a terminal (``\x1b``),
    on one line.
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in name)
