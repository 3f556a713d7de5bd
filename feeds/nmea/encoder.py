"""Frames as NMEA 0183 sentences: to try a real-car set-up with a simulated car, and for tests."""

from __future__ import annotations

import math

from feeds.frame import Frame
from feeds.nmea.sentences import KNOT_MPS


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
