"""Turns SIGINT and SIGTERM into a stop flag, so that a run always ends cleanly."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


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
