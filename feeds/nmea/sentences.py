"""Parses bytes into checked NMEA 0183 sentences (a wrong checksum rejects one), and writes them."""

from __future__ import annotations

import datetime
import math
import re
from typing import Any, Final

import msgspec
import pynmeagps

from feeds.counters import Counters
from feeds.frame import Frame


def sentences_of(frame: Frame, lat_deg: float, lon_deg: float, start_s: float = 36_000.0) -> bytes:
    """Return RMC and GGA of a frame at ``lat_deg``, ``lon_deg``; its session time 0 is ``start_s`` after
    midnight UTC.
    """
    time_s = (start_s + frame.t_s) % 86_400.0
    # thousandths first, so that 59.9999 s does not become 60
    whole = round(time_s * 1000) % 86_400_000
    clock = f"{whole // 3_600_000:02d}{whole // 60_000 % 60:02d}{whole // 1000 % 60:02d}.{whole % 1000:03d}"
    place = (
        f"{_minutes(lat_deg, 2)},{'N' if lat_deg >= 0 else 'S'},{_minutes(lon_deg, 3)},{'E' if lon_deg >= 0 else 'W'}"
    )
    height = frame.z_m if math.isfinite(frame.z_m) else 0.0
    speed = f"{frame.speed_mps / KNOT_MPS:.3f}" if math.isfinite(frame.speed_mps) else ""
    return with_checksum(f"GNRMC,{clock},A,{place},{speed},,010126,,,A") + with_checksum(
        f"GNGGA,{clock},{place},4,12,0.7,{height:.2f},M,0.0,M,,"
    )


def with_checksum(body: str) -> bytes:
    """Return a whole sentence from the text between the dollar sign and the asterisk."""
    check = 0
    for byte in body.encode("ascii"):
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode("ascii")


def _minutes(degrees: float, width: int) -> str:
    """Return degrees and minutes with seven decimals (0.2 mm)."""
    units = round(abs(degrees) * 60 * 10**7)
    whole, rest = divmod(units, 60 * 10**7)
    return f"{whole:0{width}d}{rest // 10**7:02d}.{rest % 10**7:07d}"


MAX_LINE: Final = 256
"""A sentence has at most 82 characters; some receivers write longer ones of their own."""
KINDS: Final = frozenset({"RMC", "GGA", "VTG", "GNS"})
KNOT_MPS: Final = 1852 / 3600
_SENTENCE: Final = re.compile(rb"\$([A-Z]{2})([A-Z]{3}),([\x20-\x7e]*)\*([0-9A-Fa-f]{2})")


class Sentence(msgspec.Struct, frozen=True):
    """Data of one sentence; None and NaN where absent.

    ``time_s`` [s] since midnight UTC. ``good`` is false when the receiver marks the fix void.
    """

    kind: str
    time_s: float = math.nan
    lat_deg: float = math.nan
    lon_deg: float = math.nan
    height_m: float = math.nan
    speed_mps: float = math.nan
    satellites: int | None = None
    dilution: float = math.nan
    good: bool = True
    date: datetime.date | None = None


class LineSplitter:
    """Splits a byte stream into lines; drops and counts lines that never end."""

    def __init__(self, counters: Counters) -> None:
        self._counters = counters
        self._rest = b""

    def push(self, data: bytes) -> list[bytes]:
        """Return the complete lines so far."""
        *lines, rest = (self._rest + data).replace(b"\r", b"\n").split(b"\n")
        if len(rest) > MAX_LINE:
            self._counters.add("malformed")
            rest = b""
        self._rest = rest
        return [line for line in lines if line]


def parse(line: bytes, counters: Counters) -> Sentence | None:
    """Return the sentence in ``line``; None for other kinds and for faults, which ``counters`` counts. Never raises."""
    counters.add("received")
    start = line.find(b"$")
    match = _SENTENCE.fullmatch(line[start:].strip()) if start >= 0 and len(line) <= MAX_LINE else None
    if match is None:
        counters.add("malformed")
        return None
    body = line[start + 1 : start + match.start(4) - 1]
    check = 0
    for byte in body:
        check ^= byte
    if check != int(match[4], 16):
        counters.add("bad_checksum")
        return None
    kind = match[2].decode()
    # P begins proprietary sentences
    if kind not in KINDS or match[1].startswith(b"P"):
        return None
    try:
        message = pynmeagps.NMEAReader.parse(match[0] + b"\r\n", validate=pynmeagps.VALCKSUM)
    except (
        pynmeagps.NMEAParseError,
        pynmeagps.NMEATypeError,
        pynmeagps.NMEAMessageError,
        pynmeagps.NMEAStreamError,
        ValueError,
        OverflowError,
    ):
        counters.add("malformed")
        return None
    if message is None:
        counters.add("malformed")
        return None
    return _sentence(kind, message)


def _sentence(kind: str, message: Any) -> Sentence:
    mode = str(getattr(message, "posMode", "") or "")
    if kind == "VTG":
        return Sentence(
            kind,
            speed_mps=_first(_number(message, "sogk") / 3.6, _number(message, "sogn") * KNOT_MPS),
            good="N" not in mode,
        )
    time = getattr(message, "time", None)
    common: dict[str, Any] = {
        "time_s": _seconds(time) if isinstance(time, datetime.time) else math.nan,
        "lat_deg": _number(message, "lat"),
        "lon_deg": _number(message, "lon"),
    }
    if kind == "RMC":
        date = getattr(message, "date", None)
        return Sentence(
            kind,
            speed_mps=_number(message, "spd") * KNOT_MPS,
            # E is dead reckoning, M manual input, N no fix
            good=getattr(message, "status", "") == "A" and mode not in ("N", "E", "M"),
            date=date if isinstance(date, datetime.date) else None,
            **common,
        )
    satellites = getattr(message, "numSV", None)
    quality = getattr(message, "quality", None)
    return Sentence(
        kind,
        height_m=_number(message, "alt"),
        satellites=satellites if isinstance(satellites, int) else None,
        dilution=_number(message, "HDOP"),
        # 0 is no fix, 6 dead reckoning, 7 manual input; GNS has one letter per system
        good=quality in (1, 2, 3, 4, 5, 8) if kind == "GGA" else bool(set(mode) & set("ADPRFS")),
        **common,
    )


def _number(message: Any, name: str) -> float:
    value = getattr(message, name, None)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


def _first(value: float, other: float) -> float:
    return value if value == value else other


def _seconds(time: datetime.time) -> float:
    return time.hour * 3600 + time.minute * 60 + time.second + time.microsecond * 1e-6
