"""The contract of every feed: an adapter overrides one hook, ``_receive``; everything else is the same for all.

``read`` gives a frame, or None on time-out, or raises :class:`feeds.errors.FeedEnded` at the end of the source, and
nothing else. What can be wrong with a source is said when it is opened; what is wrong with its data is counted.
"""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Iterable
from types import TracebackType
from typing import ClassVar, Final, Self

from feeds.clock import Clock
from feeds.counters import Counters
from feeds.errors import FeedEnded
from feeds.frame import Frame
from feeds.infer import Completer
from feeds.plane import Plane
from feeds.plausible import Gate
from feeds.remedies import remedy

_ERROR_PAUSE_S: Final = 0.05
_WAITED_S: Final = 0.0002
_LEARN_FRAMES: Final = 60
"""Frames from which a feed without a description learns which channels its sender gives."""


ROOT: Final = "root"
"""Key of a doubt that explains all others: only it is told."""


class Channels:
    """Which fields of the frame a feed gives and which of them it infers from others.

    ``settled`` is false as long as a feed is still learning what its sender gives.
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

    Opening happens in the constructor and may raise :class:`feeds.errors.FeedError`. ``live`` feeds can not wait;
    a ``real_car`` feed needs the cautions of a real car. ``latency_s`` [s] is how old a frame is when it arrives, as
    far as that is known. Fields that the source lacks but its motion tells are inferred, once it is known which ones
    it gives (``given``; otherwise from its first frames). ``counters`` says what befell it, see
    :data:`feeds.counters.KINDS`. Not thread-safe: one thread reads and closes.
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
        """What has come in, waiting at most ``timeout_s`` [s].

        Frames as decoded, unchecked; empty when something came that holds no frame; None when nothing came. May
        raise FeedEnded, or OSError, which is counted.
        """

    def _close(self) -> None:  # noqa: B027 - an adapter that holds nothing open need not override it
        """Give back what the adapter holds; called once."""

    @property
    def channels(self) -> Channels:
        """The fields this feed gives, and which of them are inferred."""
        return Channels(frozenset(self._given | self._inferred), self._inferred, self._to_learn <= 0)

    @property
    def where(self) -> str:
        """What it does until its first frame: "listening on 127.0.0.1:20770"; "" for a source at hand."""
        return ""

    @property
    def sender(self) -> str:
        """The address the last data came from, HOST:PORT; "" where there is none."""
        return ""

    def remedy(self, kind: str) -> str:
        """What was wrong with the last data counted as ``kind``, with field and fix; "" when nothing is known."""
        return remedy(kind, self.counters)

    def doubts(self) -> list[tuple[str, str]]:
        """What looks wrong in the latest data: (key, sentence with field and fix); the key ROOT explains all else."""
        return []

    @property
    def plane(self) -> Plane | None:
        """The plane latitude and longitude are put on; None when the source has none, or before its first place."""
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
            # what came held no frame: wait for more as long as there is time
            left = deadline - self._clock.monotonic()
            if not came or left <= 0.0:
                return None

    def read_many(self, max_frames: int, timeout_s: float) -> list[Frame]:
        """What has arrived, at most ``max_frames``; waits up to ``timeout_s`` [s] for the first. Raises FeedEnded."""
        asked_s = self._clock.monotonic()
        first = self.read(timeout_s)
        if first is None:
            return []
        out = [first]
        ready = self._ready
        # what had to be waited for came just now: no other is there yet, and to look costs as much as the frame
        alone = self._clock.monotonic() - asked_s > _WAITED_S
        try:
            while len(out) < max_frames:
                if ready:
                    out.append(ready.popleft())
                elif alone or not self._take(0.0):
                    break
        except FeedEnded:
            pass  # said again by the next read, after these frames
        return out

    def close(self) -> None:
        """Give back sockets, files and devices; may be called twice. A read afterwards raises FeedEnded."""
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
        """Ask the adapter once; whether anything came."""
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
        """It is known what the source gives: what it lacks is inferred from now on."""
        completer = Completer(frozenset(self._given)) if self._infer else None
        if completer is not None and completer.adds:
            self._completer, self._inferred = completer, completer.adds
