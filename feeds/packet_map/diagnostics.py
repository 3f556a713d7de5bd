"""Diagnoses decoded frames: wrong units, signs or axes that would explain what looks wrong."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from feeds.counters import Counters
from feeds.frame import MAX_JUMP_M, RANGES, Floats, Frame
from feeds.packet_map.decoder import MapDecoder
from feeds.packet_map.model import PacketMap
from feeds.plausible import sound
from feeds.units import UNITS

_FEWEST: Final = 10
_WRONG: Final = 0.5
"""At least this share of packets gives no plausible frame in the map's order ..."""
_RIGHT: Final = 0.1
"""... and at most this share in the other order."""


def other_order(packet_map: PacketMap, datagrams: Sequence[bytes]) -> str:
    """Return the byte order of ``datagrams`` if it differs from the map's, else ""."""
    if len(datagrams) < _FEWEST or _implausible(packet_map, datagrams) < _WRONG:
        return ""
    other = "big" if packet_map.byte_order == "little" else "little"
    swapped = packet_map.model_copy(update={"byte_order": other})
    return other if _implausible(swapped, datagrams) <= _RIGHT else ""


def _implausible(packet_map: PacketMap, datagrams: Sequence[bytes]) -> float:
    """Return the share of datagrams that give no frame, or one with an implausible value."""
    decoder = MapDecoder(packet_map, Counters())
    bad = 0
    for number, data in enumerate(datagrams):
        counters = Counters()
        frames = decoder.decode(data, float(number))
        bad += not frames or any(sound(frame, counters) is None for frame in frames) or bool(counters)
    return bad / len(datagrams)


_ENOUGH: Final = 20
_AGREES: Final = 0.06
"""Speed and change of position agree within this share when unit and axes are right."""
_ABSURD: Final = 1e-30
_FAST_MPS: Final = 10.0
_BY_MOTION: Final = ("speed_mps", "x_m")
"""Fields whose unit the motion determines; out-of-range values are rejected and reported elsewhere."""
_CHORD_S: Final = 0.5
Diagnostic = tuple[str, str]
"""The field (empty for the whole map) and what to try."""


def diagnose(frames: list[Frame], byte_order: str) -> list[Diagnostic]:
    """Return all diagnostics of consecutive ``frames``; empty if all looks right or data is short."""
    if len(frames) < _ENOUGH:
        return []
    take = {name: _column(frames, name) for name in Frame.__struct_fields__}
    found = _byte_order(take, byte_order)
    if found:
        return found  # everything else follows from it
    found = _time(take["t_s"]) + _pedals(take) + _ranges(take) + _constant(take)
    return found + _place(take)


def live_diagnostics(frames: list[Frame], byte_order: str = "little") -> list[Diagnostic]:
    """Return the diagnostics usable while driving: another unit or byte order, or a stopped time.

    A few seconds cannot determine axes and signs, and a slow car moves less than its position error.
    """
    speed = [frame.speed_mps for frame in frames if frame.speed_mps == frame.speed_mps]
    fast = bool(speed) and float(np.median(speed)) > _FAST_MPS
    return [
        (field, text)
        for field, text in diagnose(frames, byte_order)
        if not field
        or (field == "t_s" and "does not advance" not in text)
        or (fast and field in _BY_MOTION and "try unit" in text)
    ]


def _column(frames: list[Frame], name: str) -> Floats:
    return np.array([getattr(f, name) for f in frames], dtype=np.float64)


def _byte_order(take: dict[str, Floats], byte_order: str) -> list[Diagnostic]:
    floats = np.concatenate([take[n] for n in ("x_m", "y_m", "z_m", "speed_mps", "throttle", "brake")])
    floats = floats[np.isfinite(floats) & (floats != 0.0)]
    size = np.abs(floats)
    if len(floats) and np.mean((size < _ABSURD) | (size > 1 / _ABSURD)) > 0.3:
        other = "big" if byte_order == "little" else "little"
        return [("", f"most numbers are absurdly small or large: try byte_order: {other}, or check the offsets")]
    return []


def _time(t: Floats) -> list[Diagnostic]:
    steps = np.diff(t[np.isfinite(t)])
    moving = steps[steps > 0]
    if len(moving) < _ENOUGH // 2:
        return [("t_s", "does not advance: is it the session time?")]
    if np.mean(steps < 0) > 0.3:
        return [("t_s", "goes back as often as on: wrong offset or type")]
    step = float(np.median(moving))
    for unit in ("ms", "us", "ns"):
        # senders send between 5 and 500 frames a second
        if 0.002 <= step * UNITS["t_s"][unit] <= 0.2 < step:
            return [("t_s", f"advances by {step:g} a frame: try unit: {unit}")]
    if step > 1.0:
        return [("t_s", f"advances by {step:g} s a frame: wrong unit, offset or type")]
    return []


def _pedals(take: dict[str, Floats]) -> list[Diagnostic]:
    found = []
    for name in ("throttle", "brake"):
        values = take[name][np.isfinite(take[name])]
        if not len(values):
            continue
        high, low = float(values.max()), float(values.min())
        if low < -0.01:
            found.append((name, f"expected 0 to 1, found down to {low:.3g}: wrong type, or scale and shift are needed"))
        elif high > 1.01:
            units = [u for u, most in (("percent", 100), ("byte", 255), ("word", 65_535)) if high <= most * 1.005]
            hint = f": try unit: {units[0]}" if units else ": wrong offset or type"
            found.append((name, f"expected 0 to 1, found up to {high:.4g}{hint}"))
    return found


def _ranges(take: dict[str, Floats]) -> list[Diagnostic]:
    found = []
    for name, low, high, _ in RANGES:
        values = take[name]
        if name in ("throttle", "brake"):
            continue  # reported more precisely above
        outside = np.isfinite(values) & ((values < low) | (values > high))
        if outside.any():
            worst = float(values[outside][0])
            found.append((name, f"{np.mean(outside):.0%} outside {low:g} to {high:g}, such as {worst:.4g}"))
    return found


def _constant(take: dict[str, Floats]) -> list[Diagnostic]:
    speed = take["speed_mps"]
    if not np.isfinite(speed).any() or np.nanmax(speed) < 5.0:
        return []  # a standing car changes nothing
    found = []
    for name in ("x_m", "y_m", "lap_distance_m"):
        values = take[name][np.isfinite(take[name])]
        if len(values) >= _ENOUGH and np.ptp(values) == 0.0:
            found.append((name, "never changes while the car moves: wrong offset?"))
    return found


def _place(take: dict[str, Floats]) -> list[Diagnostic]:
    """Check speed against change of position: unit and axes."""
    dt = np.diff(take["t_s"])
    x, y, z, speed = (take[n] for n in ("x_m", "y_m", "z_m", "speed_mps"))
    jumps = np.hypot(np.diff(x), np.diff(y))
    if np.mean(jumps > MAX_JUMP_M) > 0.02:
        return [
            ("x_m", f"jumps more than {MAX_JUMP_M:g} m on {np.mean(jumps > MAX_JUMP_M):.0%} of frames: offset, type?")
        ]
    moving = np.isfinite(jumps) & np.isfinite(speed[1:]) & (speed[1:] > 3.0) & (dt > 0.0) & (dt < 1.0)
    if np.count_nonzero(moving) < _ENOUGH:
        return []
    told = np.concatenate([[0.0], np.cumsum(np.where(moving, 0.5 * (speed[1:] + speed[:-1]) * dt, 0.0))])
    resting = np.concatenate([[0], np.cumsum(~moving)])
    # half-second chords average out rounded times, repeated positions and position noise
    n = _chord(dt[moving])
    if not np.any(resting[n:] == resting[:-n]):
        n = 1

    def agreement(a: Floats, b: Floats) -> tuple[float, float]:
        """Return the ratio of measured to reported speed: median and spread."""
        whole = (resting[n:] == resting[:-n])[::n]
        way = np.hypot(a[n:] - a[:-n], b[n:] - b[:-n])[::n][whole]
        ratio = way / (told[n:] - told[:-n])[::n][whole]
        middle = float(np.median(ratio))
        return middle, float(np.median(np.abs(ratio - middle))) / max(middle, 1e-9)

    ratio, spread = agreement(x, y)
    if spread > _AGREES and np.isfinite(z).any():
        for a, b, swap in ((x, z, "y_m and z_m"), (z, y, "x_m and z_m")):
            if agreement(a, b)[1] < min(spread / 2, _AGREES):
                return [("y_m" if swap[0] == "y" else "x_m", f"the height looks like a place: swap {swap}")]
    if abs(ratio - 1.0) <= _AGREES:
        return _mirror(take) if spread <= _AGREES else []
    for name, units in (("speed_mps", UNITS["speed_mps"]), ("x_m", UNITS["x_m"])):
        for unit, size in units.items():
            expected = size if name == "speed_mps" else 1.0 / size
            if size != 1.0 and abs(ratio / expected - 1.0) <= _AGREES / 2:
                also = "" if name == "speed_mps" else " for x_m and y_m"
                return [(name, f"the car moves {ratio:.3g} times as far as its speed says: try unit: {unit}{also}")]
    return [("speed_mps", f"the car moves {ratio:.3g} times as far as its speed says: unit, scale or axes are wrong")]


def _chord(dt: Floats) -> int:
    """Return the number of frames, ``dt`` [s] apart, in a chord of _CHORD_S."""
    return max(int(_CHORD_S / max(float(np.median(dt)), 1e-3)), 1)


def _mirror(take: dict[str, Floats]) -> list[Diagnostic]:
    """Check whether steering left turns right: a mirrored plane or the wrong steering sign."""
    # the direction between neighbouring frames would be position noise
    n = _chord(np.diff(take["t_s"]))
    steer = take["steer"]
    if len(steer) < 2 * n + _ENOUGH:
        return []
    dx, dy = take["x_m"][n:] - take["x_m"][:-n], take["y_m"][n:] - take["y_m"][:-n]
    cross = dx[:-n] * dy[n:] - dy[:-n] * dx[n:]
    size = np.hypot(dx[:-n], dy[:-n]) * np.hypot(dx[n:], dy[n:])
    with np.errstate(divide="ignore", invalid="ignore"):
        turn = np.where(size > 1e-4, cross / size, np.nan)
    steer = steer[n:-n]
    good = np.isfinite(turn) & np.isfinite(steer) & (np.abs(turn) > 1e-5)
    if np.count_nonzero(good) < _ENOUGH or np.nanstd(steer) == 0.0:
        return []
    same = float(np.corrcoef(turn[good], steer[good])[0, 1])
    if same < -0.5:
        return [("steer", "steers left where the car turns right: give steer or one of x_m, y_m the scale -1")]
    return []
