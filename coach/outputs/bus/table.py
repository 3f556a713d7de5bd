"""The one table of messages between the processes: topic, type, highest rate, recorded or not.

A message is one frame: the topic's name, a zero byte, the value as MessagePack. One frame, because a conflating socket
(newest message only) allows no more.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import msgspec

from coach.core.values import Decision, LapDone, View
from coach.errors import OutputError


class Beat(msgspec.Struct, frozen=True):
    """A sign of life with a sequence number; sent even without a feed."""

    number: int


class Volume(msgspec.Struct, frozen=True):
    """The voice's volume from now on: ``share`` 0..1."""

    share: float


class Bye(msgspec.Struct, frozen=True):
    """The end of the run; ``why`` is for people."""

    why: str


class Topic(NamedTuple):
    """One row: ``rate_hz`` is the highest rate (0: on every event); ``state`` means only the newest counts."""

    name: str
    type: type[msgspec.Struct]
    rate_hz: float
    state: bool
    recorded: bool


TABLE: Final = (
    Topic("view", View, 30.0, state=True, recorded=False),
    Topic("decision", Decision, 0.0, state=False, recorded=True),
    Topic("lap", LapDone, 0.0, state=False, recorded=True),
    Topic("volume", Volume, 0.0, state=False, recorded=False),
    Topic("beat", Beat, 2.0, state=False, recorded=False),
    Topic("bye", Bye, 0.0, state=False, recorded=False),
)
BY_NAME: Final = {topic.name: topic for topic in TABLE}
BY_TYPE: Final = {topic.type: topic for topic in TABLE}
STATE_TOPICS: Final = tuple(topic.name for topic in TABLE if topic.state)
EVENT_TOPICS: Final = tuple(topic.name for topic in TABLE if not topic.state)
EVENT_BACKLOG: Final = 1000

Message = View | Decision | LapDone | Volume | Beat | Bye

_ENCODER = msgspec.msgpack.Encoder()
_DECODERS: dict[str, msgspec.msgpack.Decoder[Any]] = {t.name: msgspec.msgpack.Decoder(t.type) for t in TABLE}


def prefix(name: str) -> bytes:
    """Return the subscription prefix of the topic ``name``."""
    return name.encode("ascii") + b"\0"


def encode(message: Message) -> bytes:
    """Return one frame."""
    return prefix(BY_TYPE[type(message)].name) + _ENCODER.encode(message)


def decode(frame: bytes) -> Message:
    """Return the value in a frame; raise OutputError for a foreign frame."""
    name, found, payload = frame.partition(b"\0")
    decoder = _DECODERS.get(name.decode("ascii", "replace")) if found else None
    if decoder is None:
        raise OutputError(f"bus message: expected a topic of {', '.join(BY_NAME)}; found {name[:20]!r}")
    try:
        message: Message = decoder.decode(payload)
    except msgspec.DecodeError as error:
        raise OutputError(f"bus message of topic {name.decode()}: {error}") from error
    return message
