"""One corner as two small drawings that print anywhere: its piece of track, and its speed and pedals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.reference import Reference
from coach.core.values import KMH
from coach.core.zones import Zone
from coach.pages.svg import svg_points

MAP_SIZE: Final = 360.0
TRACE_WIDTH: Final = 640.0
TRACE_HEIGHT: Final = 230.0
LEFT: Final = 44.0
RIGHT: Final = TRACE_WIDTH - 12.0
TOP: Final = 24.0
SPEED_HIGH: Final = 110.0
PEDAL_TOP: Final = 152.0
PEDAL_HIGH: Final = 48.0
BEFORE_M: Final = 40.0
AFTER_M: Final = 60.0


@dataclass(frozen=True)
class Mark:
    """A place with its name, in picture coordinates; letters at ``tx``, ``ty``."""

    name: str
    x: float
    y: float
    tx: float
    ty: float


@dataclass(frozen=True)
class CornerMap:
    """Line, edges (empty where unknown) and marks, as SVG points in a box ``width`` by ``height``."""

    width: float
    height: float
    line: str
    edges: tuple[str, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class CornerTrace:
    """Speed and pedals over distance as SVG points; ``speeds`` and ``places`` label the axes; ``marks`` uprights.

    The axes go from ``left`` to ``right`` and down to ``foot`` in a box ``width`` by ``height``.
    """

    speed: str
    brake: str
    throttle: str
    speeds: tuple[tuple[float, str], ...]
    places: tuple[tuple[float, str], ...]
    marks: tuple[Mark, ...]
    width: float = TRACE_WIDTH
    height: float = TRACE_HEIGHT
    left: float = LEFT
    right: float = RIGHT
    foot: float = PEDAL_TOP + PEDAL_HIGH


def places_of(zone: Zone) -> list[tuple[str, float]]:
    """The corner's places by name, in order [m]; brake left out where there is none or it is the turn-in."""
    c = zone.corner
    out = [("brake", c.brake_m)] if c.brake_m == c.brake_m and abs(c.brake_m - c.turn_in_m) > 3.0 else []
    return [*out, ("turn in", c.turn_in_m), ("apex", c.apex_m), ("exit", c.exit_m)]


def corner_map(reference: Reference, zone: Zone) -> CornerMap | None:
    """The piece of track from before the brake point to after the exit; None without positions."""
    if not reference.has_line:
        return None
    s = np.arange(zone.quiet_m - BEFORE_M, max(zone.end_m, zone.exit_m) + AFTER_M, 2.0)
    x, y = reference.at("x_m", s), -reference.at("y_m", s)
    scale = (MAP_SIZE - 90.0) / max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    x0, y0 = float(x.min()), float(y.min())
    width, height = float(np.ptp(x)) * scale + 110.0, float(np.ptp(y)) * scale + 90.0

    def at(px: Floats, py: Floats) -> tuple[Floats, Floats]:
        return (px - x0) * scale + 55.0, (py - y0) * scale + 45.0

    line = svg_points(*at(x, y))
    heading = reference.at("heading_rad", s)
    edges = []
    for side, name in ((1.0, "left_m"), (-1.0, "right_m")):
        far = reference.at(name, s)
        if np.isfinite(far).all():
            edges.append(svg_points(*at(x - side * np.sin(heading) * far, y - side * np.cos(heading) * far)))
    marks = []
    outward = 1.0 if zone.corner.direction == "left" else -1.0
    for name, place in places_of(zone):
        px, py = at(reference.at("x_m", place), -reference.at("y_m", place))
        h = float(reference.at("heading_rad", place))
        nx, ny = np.sin(h) * outward, np.cos(h) * outward
        marks.append(Mark(name, float(px), float(py), float(px + 30.0 * nx), float(py + 26.0 * ny + 5.0)))
    return CornerMap(width, height, line, tuple(edges), tuple(marks))


def corner_trace(reference: Reference, zone: Zone) -> CornerTrace:
    """Speed, brake and throttle of the reference over the corner."""
    low, high = zone.quiet_m - BEFORE_M, max(zone.end_m, zone.exit_m) + AFTER_M
    s = np.arange(low, high, 2.0)
    speed = reference.at("speed_mps", s) * KMH
    bottom = 20.0 * np.floor(float(speed.min()) / 20.0)
    top = max(20.0 * np.ceil(float(speed.max()) / 20.0), bottom + 20.0)

    def x(place: Floats | float) -> Floats:
        return np.asarray(LEFT + (np.asarray(place) - low) / (high - low) * (RIGHT - LEFT))

    def pedal(name: str) -> str:
        values = reference.at(name, s)
        if not np.isfinite(values).any():
            return ""
        return svg_points(x(s), PEDAL_TOP + PEDAL_HIGH * (1.0 - np.nan_to_num(values)))

    ticks = [bottom + k * (top - bottom) / 2 for k in range(3)]
    y_of = [TOP + SPEED_HIGH * (1.0 - (v - bottom) / (top - bottom)) for v in ticks]
    step = next(n for n in (20, 50, 100, 200, 500, 1000, 5000) if (high - low) / n <= 6)
    along = np.arange(np.ceil(low / step) * step, high, step)
    marks = []
    used = -100.0
    for name, place in places_of(zone):
        px = float(x(place))
        # two places close together: the second name goes a line lower
        close = px - used < 52.0
        marks.append(Mark(name, px, TOP, px, TOP - 8.0 if not close else TOP + 8.0))
        used = px if not close else -100.0
    return CornerTrace(
        svg_points(x(s), TOP + SPEED_HIGH * (1.0 - (speed - bottom) / (top - bottom))),
        pedal("brake"),
        pedal("throttle"),
        tuple((y, f"{v:.0f}") for y, v in zip(y_of, ticks, strict=True)),
        tuple((float(x(p)), f"{_on_lap(p, reference):.0f} m") for p in along.tolist()),
        tuple(marks),
    )


def _on_lap(place: float, reference: Reference) -> float:
    return place % reference.length_m if reference.closed else place
