"""Ctrl-C and a polite kill as a wish to end, so that nothing is torn down half done."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def interrupts(stop: threading.Event) -> Iterator[None]:
    """Set ``stop`` on SIGINT and SIGTERM instead of raising; only on the main thread, elsewhere nothing changes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {n: signal.signal(n, lambda *_: stop.set()) for n in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
