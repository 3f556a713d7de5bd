"""A UDP socket that listens to one sender at a time, and the faults of its datagrams."""

from __future__ import annotations

import errno
import socket
from difflib import get_close_matches
from typing import Any, Final

import msgspec

from feeds.clock import Clock
from feeds.counters import Counters
from feeds.errors import FeedOpenError
from feeds.frame import COUNTS, FLAGS, Frame
from feeds.units import UNITS, known_unit
from feeds.wrong_value import expected

_FORMATS: Final = "one JSON object or MessagePack map per datagram"
_SHOWN: Final = 3


def fields_of(data: bytes) -> dict[str, Any] | None:
    """Return the fields of a datagram as its sender wrote them; None when it is no JSON object or MessagePack map."""
    try:
        found = msgspec.msgpack.decode(data) if data and data[0] >= 0x80 else msgspec.json.decode(data)
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError, TypeError):
        return None
    return {str(k): v for k, v in found.items()} if isinstance(found, dict) else None


def why_refused(data: bytes) -> str:
    """Return why ``data`` gives no frame, with the field and the fix; "" when nothing is wrong with it."""
    fields = fields_of(data)
    if fields is None:
        return f"a datagram cannot be decoded: {expected(_FORMATS, _start(data))}"
    if fields.get("t_s") is None:
        other = _alias("t_s", fields)
        allowed = "the session time in seconds with every datagram"
        return f"t_s: {expected(allowed, other or 'nothing')}"
    for name, value in fields.items():
        if name in Frame.__struct_fields__ and value is not None and (wrong := _wrong_type(name, value)):
            return f"{name}: {wrong}"
    return ""


def unknown_fields(data: bytes) -> list[tuple[str, str]]:
    """Return the fields that the frame does not have, each with the one to send instead where one is meant."""
    out = []
    known = Frame.__struct_fields__
    for name in fields_of(data) or {}:
        if name in known:
            continue
        meant, unit = _meant(name)
        if not meant:
            out.append((name, f"{name}: not a field of the datagram and ignored"))
            continue
        size = UNITS.get(meant, {}).get(unit, 1.0)
        by = f" (multiply by {size:.6g})" if size != 1.0 else ""
        out.append((name, f"{name}: not a field of the datagram; send {meant}{_in(meant)} instead{by}"))
    return out[:_SHOWN]


def _meant(name: str) -> tuple[str, str]:
    """Return the field a name means, and the unit in the name: ``speed_kmh`` is speed_mps in km/h."""
    flat = name.lower().replace("-", "_")
    stem, _, unit = flat.rpartition("_")
    heads = {field.rpartition("_")[0] if field.rpartition("_")[2] in _ENDINGS else field: field
             for field in Frame.__struct_fields__}  # fmt: skip
    for word, written in ((stem, known_unit(unit)), (flat, "")):
        if word in heads:
            return heads[word], written
    near = get_close_matches(flat, [*heads, *Frame.__struct_fields__], 1, 0.8)
    return (heads.get(near[0], near[0]), "") if near else ("", "")


_ENDINGS: Final = frozenset({"s", "m", "deg", "mps"})
_UNIT_OF: Final = {"s": "seconds", "m": "metres", "deg": "degrees", "mps": "m/s"}


def _in(field: str) -> str:
    unit = _UNIT_OF.get(field.rpartition("_")[2], "") if field.rpartition("_")[0] else ""
    return f" in {unit}" if unit else ""


def _alias(field: str, fields: dict[str, Any]) -> str:
    return next((name for name in fields if name != field and _meant(name)[0] == field), "") or next(
        (name for name in fields if name.lower() in ("time", "t", "timestamp", "session_time")), ""
    )


def _wrong_type(name: str, value: Any) -> str:
    shown = repr(value) if not isinstance(value, str) else f'the text "{value[:20]}"'
    if name in FLAGS:
        return "" if isinstance(value, bool) else expected("true or false", shown)
    if isinstance(value, bool) or not isinstance(value, int | float):
        if name == "gear":
            return expected("a whole number: -1 reverse, 0 neutral, 1 and up", shown)
        return expected(f"a {'whole number' if name in COUNTS else 'number'}{_in(name)} without quotes", shown)
    if (name in COUNTS or name == "seq") and isinstance(value, float):
        return expected("a whole number without a decimal point", shown)
    return ""


def _start(data: bytes) -> str:
    text = data[:24].decode("latin-1")
    if not data:
        return "an empty one"
    shown = repr(text) if text.isprintable() else data[:8].hex(" ")
    return f"{len(data)} bytes that begin {shown}"


SILENCE_S: Final = 2.0
"""A second sender is accepted only after the first was silent this long."""
_MAX_DATAGRAM: Final = 65_535
_BUFFER: Final = 1 << 20
"""Room for some seconds of datagrams while the engine is busy; the system may grant less."""


class Datagrams:
    """Bound on opening; ``receive`` gives raw datagrams of the sender in use.

    The first sender whose datagram decodes (``heard``) stays in use until it is silent for two seconds. Raises
    FeedOpenError if the port cannot be bound.
    """

    def __init__(self, host: str, port: int, counters: Counters, clock: Clock) -> None:
        where = f"udp {host}:{port}"
        if not 0 <= port <= 65_535:
            raise FeedOpenError(f"{where}: expected a port from 0 to 65535")
        self._counters = counters
        self._clock = clock
        self._sender: object = None
        self._candidate: object = None
        self._heard_s = float("-inf")
        self.came_from = ""
        """Address of the last datagram, HOST:PORT."""
        self._came_from: object = None
        try:
            family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
            self._socket = socket.socket(family, kind, protocol)
        except (OSError, UnicodeError) as error:
            raise FeedOpenError(f"{where}: the address is not known on this machine ({error})") from error
        try:
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER)
            self._socket.bind(address)
        except OSError as error:
            self._socket.close()
            raise FeedOpenError(f"{where}: {_why(error)}") from error
        # the same socket twice, as changing a timeout is a system call: one blocks, one polls
        self._at_once = self._socket.dup()
        self._at_once.settimeout(0.0)
        self._timeout_s = 0.0
        self.port: int = self._socket.getsockname()[1]
        self.where = f"listening on {host}:{self.port}"

    def receive(self, timeout_s: float) -> bytes | None:
        """Return one datagram; empty when one came from another sender; None when none came in time. May
        raise OSError.
        """
        inlet = self._at_once
        if timeout_s > 0.0:
            inlet = self._socket
            if timeout_s != self._timeout_s:
                self._timeout_s = timeout_s
                inlet.settimeout(timeout_s)
        try:
            data, sender = inlet.recvfrom(_MAX_DATAGRAM)
        except (TimeoutError, BlockingIOError):
            return None
        self._counters.add("received")
        if sender != self._came_from:
            self._came_from, self.came_from = sender, f"{sender[0]}:{sender[1]}"
        if sender != self._sender and self._clock.monotonic() - self._heard_s <= SILENCE_S:
            self._counters.add("other_sender")
            return b""
        self._candidate = sender
        return data

    def heard(self) -> None:
        """Mark the last datagram as good: its sender is now the one in use."""
        if self._candidate != self._sender:
            if self._sender is not None:
                self._counters.add("sender_changed")
            self._sender = self._candidate
        self._heard_s = self._clock.monotonic()

    def close(self) -> None:
        """Release the port."""
        self._at_once.close()
        self._socket.close()


def _why(error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return "the port is in use by another program; stop that program or choose another port"
    if error.errno == errno.EACCES:
        return "this port needs more rights; choose one from 1024 to 65535"
    if error.errno == errno.EADDRNOTAVAIL:
        return "this machine does not have that address; 127.0.0.1 hears this machine, 0.0.0.0 all networks"
    return f"the port cannot be opened ({error.strerror or error})"
