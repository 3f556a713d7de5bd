"""The contract of every feed: an adapter overrides one hook, ``_receive``; the base class does the rest.

``read`` returns a frame, or None on time-out, and raises only :class:`feeds.errors.FeedEnded`, at the end of the
source. Opening a source reports its faults; faults in its data are counted.
"""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Iterable
from types import TracebackType
from typing import ClassVar, Final, Self

from feeds.clock import Clock
from feeds.counters import Counters, remedy
from feeds.errors import FeedEnded
from feeds.frame import Frame
from feeds.infer import Completer
from feeds.plane import Plane
from feeds.plausible import Gate

_ERROR_PAUSE_S: Final = 0.05
_WAITED_S: Final = 0.0002
_LEARN_FRAMES: Final = 60
"""Number of frames used to learn which channels the sender provides."""


ROOT: Final = "root"
"""Key of a diagnostic that explains all others and is reported alone."""


class Channels:
    """The frame fields a feed provides, and those it infers from other fields.

    ``settled`` is false while the feed is still learning which fields its sender provides.
    """

    __slots__ = ("given", "inferred", "settled")

    def __init__(self, given: frozenset[str], inferred: frozenset[str], settled: bool = True) -> None:
        self.given = given
        self.inferred = inferred
        self.settled = settled

    def __repr__(self) -> str:
        return f"Channels(given={sorted(self.given)}, inferred={sorted(self.inferred)}, settled={self.settled})"


class Feed(ABC):
    """A source of frames in order of time.

    The constructor opens the source and may raise :class:`feeds.errors.FeedError`. ``live`` feeds cannot wait; a
    ``real_car`` feed requires the real-car cautions. ``latency_s`` [s] is the age of a frame on arrival, where known.
    Missing fields that the motion determines are inferred once the provided fields are known (``given``, or learned
    from the first frames). ``counters`` counts faults by the kinds in :data:`feeds.counters.KINDS`. Not thread-safe:
    one thread reads and closes.
    """

    name: ClassVar[str] = ""
    live: bool = True
    real_car: bool = False
    latency_s: float = 0.0

    def __init__(self, clock: Clock | None = None, given: frozenset[str] | None = None, *, infer: bool = True) -> None:
        self.counters = Counters()
        self._clock: Clock = clock or time  # the module time has the two functions a clock needs
        self._gate = Gate(self.counters)
        self._ready: deque[Frame] = deque()
        self._given = set(given or ())
        self._inferred: frozenset[str] = frozenset()
        self._infer = infer
        self._completer: Completer | None = None
        self._to_learn = _LEARN_FRAMES if given is None else 0
        if given is not None:
            self._know()
        self._closed = False
        self._ended = False

    @abstractmethod
    def _receive(self, timeout_s: float) -> Iterable[Frame] | None:
        """Return newly received frames, waiting at most ``timeout_s`` [s].

        The frames are decoded but unchecked. The list is empty when the data holds no frame; None when nothing arrived.
        May raise FeedEnded, or OSError, which is counted.
        """

    def _close(self) -> None:  # noqa: B027 - an adapter without open resources need not override it
        """Release the adapter's resources; called once."""

    @property
    def channels(self) -> Channels:
        """The fields this feed gives, and which of them are inferred."""
        return Channels(frozenset(self._given | self._inferred), self._inferred, self._to_learn <= 0)

    @property
    def where(self) -> str:
        """Status text before the first frame ("listening on 127.0.0.1:20770"); "" for a source at hand."""
        return ""

    @property
    def sender(self) -> str:
        """The address the last data came from, HOST:PORT; "" where there is none."""
        return ""

    def remedy(self, kind: str) -> str:
        """Return the fault in the last data counted as ``kind``, with field and fix; "" if unknown."""
        return remedy(kind, self.counters)

    def diagnostics(self) -> list[tuple[str, str]]:
        """Return the diagnostics of the latest data as (key, sentence with field and fix); the key ROOT explains all
        others.
        """
        return []

    @property
    def plane(self) -> Plane | None:
        """The plane that latitude and longitude are projected onto; None without one, or before the first position."""
        return None

    def read(self, timeout_s: float) -> Frame | None:
        """Return the next frame, or None when none came within ``timeout_s`` [s]; raises only FeedEnded."""
        if self._ready:
            return self._ready.popleft()
        deadline = self._clock.monotonic() + timeout_s
        left = timeout_s
        while True:
            came = self._take(left)
            if self._ready:
                return self._ready.popleft()
            # the data held no frame: wait for more while time remains
            left = deadline - self._clock.monotonic()
            if not came or left <= 0.0:
                return None

    def read_many(self, max_frames: int, timeout_s: float) -> list[Frame]:
        """Return up to ``max_frames`` received frames; wait up to ``timeout_s`` [s] for the first. Raise FeedEnded at
        the end.
        """
        asked_s = self._clock.monotonic()
        first = self.read(timeout_s)
        if first is None:
            return []
        out = [first]
        ready = self._ready
        # after a wait no second frame is there yet, and checking costs as much as reading one
        alone = self._clock.monotonic() - asked_s > _WAITED_S
        try:
            while len(out) < max_frames:
                if ready:
                    out.append(ready.popleft())
                elif alone or not self._take(0.0):
                    break
        except FeedEnded:
            pass  # the next read raises it again, after these frames
        return out

    def close(self) -> None:
        """Release sockets, files and devices; may be called twice. A later read raises FeedEnded."""
        if not self._closed:
            self._closed = True
            self._ready.clear()
            self._close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _take(self, timeout_s: float) -> bool:
        """Call the adapter once and return whether anything arrived."""
        if self._closed or self._ended:
            raise FeedEnded(self.name)
        try:
            raw = self._receive(max(timeout_s, 0.0))
        except FeedEnded:
            self._ended = True
            raise
        except OSError:
            self.counters.add("io_error")
            self._clock.sleep(min(max(timeout_s, 0.0), _ERROR_PAUSE_S))
            return False
        if raw is None:
            return False
        for frame in raw:
            for admitted in self._gate.admit(frame):
                if self._to_learn > 0:
                    self._learn(admitted)
                self._ready.append(self._completer.complete(admitted) if self._completer else admitted)
        return True

    def _learn(self, frame: Frame) -> None:
        self._to_learn -= 1
        for name in Frame.__struct_fields__:
            value = getattr(frame, name)
            if value is not None and value == value:
                self._given.add(name)
        if self._to_learn == 0:
            self._know()

    def _know(self) -> None:
        """Fix the provided fields and infer the missing ones from now on."""
        completer = Completer(frozenset(self._given)) if self._infer else None
        if completer is not None and completer.adds:
            self._completer, self._inferred = completer, completer.adds
