"""Our own datagram: one map of the frame's fields, as MessagePack or JSON.

Omitted and null fields are absent; unknown fields are ignored; a field of the wrong type invalidates the datagram. The
first byte identifies the format.
"""

from __future__ import annotations

from typing import Final, Literal

import msgspec

from feeds.frame import Frame

Format = Literal["msgpack", "json"]

_packed: Final = msgspec.msgpack.Decoder(Frame)
_json: Final = msgspec.json.Decoder(Frame)
_any_packed: Final = msgspec.msgpack.Decoder()
_any_json: Final = msgspec.json.Decoder()
_pack: Final = msgspec.msgpack.Encoder()
_to_json: Final = msgspec.json.Encoder()


def decode(data: bytes) -> Frame | None:
    """Return the frame in ``data``, unchecked; None when it is not one. Never raises."""
    if not data:
        return None
    # a MessagePack map starts with 0x80-0x8f, 0xde or 0xdf; JSON text with an ASCII character
    packed = data[0] >= 0x80
    try:
        return _packed.decode(data) if packed else _json.decode(data)
    except msgspec.ValidationError:
        return _without_nulls(data, packed)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError):
        return None


def _without_nulls(data: bytes, packed: bool) -> Frame | None:
    """Decode slowly, for senders that write null for absent fields."""
    try:
        fields = _any_packed.decode(data) if packed else _any_json.decode(data)
        if not isinstance(fields, dict):
            return None
        return msgspec.convert({k: v for k, v in fields.items() if v is not None}, Frame)
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError, TypeError):
        return None  # TypeError: an unhashable MessagePack key


def encode(frame: Frame, form: Format = "msgpack") -> bytes:
    """Return the datagram of ``frame`` without absent fields."""
    fields = {}
    for name in Frame.__struct_fields__:
        value = getattr(frame, name)
        if value is not None and value == value:
            fields[name] = value
    return _pack.encode(fields) if form == "msgpack" else _to_json.encode(fields)
