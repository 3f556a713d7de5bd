"""Keeps system libraries from writing to the user's terminal; we report faults on one line."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator


@contextlib.contextmanager
def hushed() -> Iterator[None]:
    """Suppress stderr of the system's sound and window libraries, which complain if there is nothing to
    open (Linux).
    """
    if not sys.platform.startswith("linux"):
        yield
        return
    sys.stderr.flush()
    kept, void = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    os.dup2(void, 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(void)
