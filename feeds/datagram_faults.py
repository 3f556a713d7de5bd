"""Explains why a datagram of our own format holds no frame or lacks fields: the field, and how to fix it."""

from __future__ import annotations

from difflib import get_close_matches
from typing import Any, Final

import msgspec

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
