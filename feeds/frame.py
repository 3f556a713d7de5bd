"""The value every feed produces: a telemetry frame in SI units.

Absent is NaN for real numbers and None for counts and flags, never 0:
a feature whose channel is absent is off.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from itertools import repeat
from operator import attrgetter
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

NAN = math.nan
Floats = NDArray[np.float64]


class Frame(msgspec.Struct, frozen=True, gc=False, omit_defaults=True):
    """One sample of the car.

    ``t_s`` session time [s], not wall time. ``x_m`` east, ``y_m`` north, ``z_m`` up [m] in a local plane (or
    ``lat_deg``, ``lon_deg`` [degrees], which a feed projects onto the plane before it returns the frame).
    ``lap_distance_m`` [m] from the line or ``lap_fraction`` [0..1]; ``lap`` counts from 0 for the out-lap.
    ``throttle``, ``brake`` 0..1. ``steer`` left positive [-1..1 or rad]. ``gear`` 0 neutral, -1 reverse. ``wheels_off``
    wheels outside the track limit. ``seq`` the sender's running number, if it gives one.
    """

    t_s: float
    x_m: float = NAN
    y_m: float = NAN
    z_m: float = NAN
    lat_deg: float = NAN
    lon_deg: float = NAN
    lap_distance_m: float = NAN
    lap_fraction: float = NAN
    lap: int | None = None
    speed_mps: float = NAN
    throttle: float = NAN
    brake: float = NAN
    steer: float = NAN
    gear: int | None = None
    wheels_off: int | None = None
    in_pit: bool | None = None
    traction_control: bool | None = None
    anti_lock: bool | None = None
    seq: int | None = None


COUNTS: Final = frozenset({"lap", "gear", "wheels_off"})
FLAGS: Final = frozenset({"in_pit", "traction_control", "anti_lock"})
"""Channels that are integers, and those that are flags; in channel arrays all are floats."""
CHANNELS: Final = tuple(name for name in Frame.__struct_fields__ if name not in ("lat_deg", "lon_deg", "seq"))
"""The recorded channels, in this order; by then positions are in the local plane and frames are in sequence."""

MAX_SPEED_MPS: Final = 150.0
MAX_JUMP_M: Final = 200.0
_TOLERANCE: Final = 0.01
"""Overshoot of pedals by rounding or calibration, which is clamped."""
_BACKWARDS_MPS: Final = -0.5
"""The speed of a standing car may jitter around zero."""
RANGES: Final[tuple[tuple[str, float, float, str], ...]] = (
    ("x_m", -1e6, 1e6, "position_refused"),
    ("y_m", -1e6, 1e6, "position_refused"),
    ("z_m", -1e4, 1e4, "field_refused"),
    ("lat_deg", -90.0, 90.0, "position_refused"),
    ("lon_deg", -180.0, 180.0, "position_refused"),
    ("lap_distance_m", -MAX_JUMP_M, 1e5, "position_refused"),
    ("lap_fraction", -_TOLERANCE, 1.0 + _TOLERANCE, "position_refused"),
    ("lap", -1, 10_000, "field_refused"),
    ("speed_mps", _BACKWARDS_MPS, MAX_SPEED_MPS, "speed_refused"),
    ("throttle", -_TOLERANCE, 1.0 + _TOLERANCE, "pedal_refused"),
    ("brake", -_TOLERANCE, 1.0 + _TOLERANCE, "pedal_refused"),
    ("steer", -20.0, 20.0, "field_refused"),
    ("gear", -1, 12, "field_refused"),
    ("wheels_off", 0, 8, "field_refused"),
)
"""Field, lowest and highest plausible value, and the counter of violations."""

_take = attrgetter(*CHANNELS)


def has_place(fields: Collection[str]) -> bool:
    """Return whether these fields determine the car's position."""
    has = set(fields)
    return {"x_m", "y_m"} <= has or {"lat_deg", "lon_deg"} <= has or bool(has & {"lap_distance_m", "lap_fraction"})


def rows_of(frames: Iterable[Frame]) -> Floats:
    """Return frames side by side: shape (channels, n)."""
    rows = [_take(frame) for frame in frames]
    if not rows:
        return np.empty((len(CHANNELS), 0))
    # the conversion turns None into NaN
    return np.ascontiguousarray(np.array(rows, dtype=np.float64).T)


def frames_of(data: Floats) -> list[Frame]:
    """Return the frames of an array of shape (channels, n)."""
    columns: dict[str, Iterable[Any]] = {}
    for name, row in zip(CHANNELS, data, strict=True):
        if np.isnan(row).all():
            continue
        values = row.tolist()
        if name in COUNTS:
            # an infinite or huge count has no integer; the gate rejects values out of range
            columns[name] = [int(v) if abs(v) < 1e9 else None for v in values]
        elif name in FLAGS:
            columns[name] = [None if v != v else v != 0.0 for v in values]
        else:
            columns[name] = values
    fields = Frame.__struct_fields__
    absent = Frame(0.0)
    ordered = [columns.get(name) or repeat(getattr(absent, name)) for name in fields]
    ordered[0] = data[0].tolist()
    return [Frame(*row) for row in zip(*ordered, strict=False)]
