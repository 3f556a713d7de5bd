"""Two small printable drawings of a corner: its piece of track, and its speed and pedals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.diagnose.advice import apex_name
from coach.core.track.reference import Reference
from coach.core.track.zones import Zone
from coach.core.unit_system import METRIC, Units
from coach.pages.look import svg_points

MAP_SIZE: Final = 360.0
TRACE_WIDTH: Final = 640.0
TRACE_HEIGHT: Final = 258.0
LEFT: Final = 44.0
RIGHT: Final = TRACE_WIDTH - 12.0
TOP: Final = 52.0
SPEED_HIGH: Final = 110.0
PEDAL_TOP: Final = 180.0
PEDAL_HIGH: Final = 48.0
BEFORE_M: Final = 40.0
AFTER_M: Final = 60.0
LETTER: Final = 12.0
LINE: Final = 27.0
POINT: Final = 9.0
"""Width of a letter and height of a line of the maps' names, and radius of a point [picture units]."""


@dataclass(frozen=True)
class PlaceMark:
    """A place with its name, in picture coordinates; letters at ``tx``, ``ty``."""

    name: str
    x: float
    y: float
    tx: float
    ty: float


@dataclass(frozen=True)
class CornerMap:
    """Line, edges (empty where unknown) and marks, as SVG points in a box ``width`` by ``height``.

    ``arrow`` shows the direction of travel; ``start`` is a stroke across the finish line if the piece contains it.
    """

    width: float
    height: float
    line: str
    edges: tuple[str, ...]
    marks: tuple[PlaceMark, ...]
    arrow: str
    start: tuple[float, float, float, float] | None


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
    marks: tuple[PlaceMark, ...]
    width: float = TRACE_WIDTH
    height: float = TRACE_HEIGHT
    left: float = LEFT
    right: float = RIGHT
    foot: float = PEDAL_TOP + PEDAL_HIGH


def places_of(zone: Zone) -> list[tuple[str, float]]:
    """Return the corner's places by name, in order [m]; without the brake point if there is none or it equals the
    turn-in.
    """
    c = zone.corner
    out = [("brake", c.brake_m)] if c.brake_m == c.brake_m and abs(c.brake_m - c.turn_in_m) > 3.0 else []
    apexes = [(apex_name(n, len(c.apexes_m)), place) for n, place in enumerate(c.apexes_m, start=1)]
    return [*out, ("turn in", c.turn_in_m), *apexes, ("exit", c.exit_m)]


def corner_map(reference: Reference, zone: Zone) -> CornerMap | None:
    """Return the piece of track from before the brake point to after the exit; None without positions."""
    if not reference.has_line:
        return None
    s = np.arange(zone.quiet_m - BEFORE_M, max(zone.end_m, zone.exit_m) + AFTER_M, 2.0)
    x, y = reference.at("x_m", s), -reference.at("y_m", s)
    scale = (MAP_SIZE - 130.0) / max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    x0, y0 = float(x.min()), float(y.min())
    width, height = float(np.ptp(x)) * scale + 200.0, float(np.ptp(y)) * scale + 90.0

    def at(px: Floats, py: Floats) -> tuple[Floats, Floats]:
        return (px - x0) * scale + 100.0, (py - y0) * scale + 45.0

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
        marks.append(PlaceMark(name, float(px), float(py), float(px + 48.0 * nx), float(py + 28.0 * ny + 8.0)))
    return CornerMap(
        width,
        height,
        line,
        tuple(edges),
        _apart(marks, width, height),
        _arrow(*at(x[:2], y[:2])),
        _start(reference, s, at),
    )


def _arrow(x: Floats, y: Floats) -> str:
    """Return an arrow head on the line at its beginning, pointing along it."""
    dx, dy = float(x[1] - x[0]), float(y[1] - y[0])
    size = max(float(np.hypot(dx, dy)), 1e-9)
    dx, dy = dx / size, dy / size
    corners = ((14.0, 0.0), (-8.0, 9.0), (-3.0, 0.0), (-8.0, -9.0))
    return " ".join(f"{x[0] + a * dx - b * dy:.1f},{y[0] + a * dy + b * dx:.1f}" for a, b in corners)


def _start(
    reference: Reference, s: Floats, at: Callable[[Floats, Floats], tuple[Floats, Floats]]
) -> tuple[float, float, float, float] | None:
    """Return a stroke across the finish line, in picture coordinates; None if it is not in ``s`` [m]."""
    length = reference.length_m
    if not any(s[0] <= line <= s[-1] for line in (0.0, length)):
        return None
    x, y = at(reference.at("x_m", 0.0), -reference.at("y_m", 0.0))
    heading = float(reference.at("heading_rad", 0.0))
    dx, dy = 13.0 * np.sin(heading), 13.0 * np.cos(heading)
    x1, y1, x2, y2 = (round(float(v), 1) for v in (x + dx, y + dy, x - dx, y - dy))
    return x1, y1, x2, y2


def _apart(marks: Sequence[PlaceMark], width: float, height: float) -> tuple[PlaceMark, ...]:
    """Return the marks with their names moved so that no two overlap and all lie inside the box."""
    out: list[PlaceMark] = []
    for mark in marks:
        half = 0.5 * LETTER * len(mark.name)
        spots = [
            (min(max(mark.x + kx * (mark.tx - mark.x), half + 2.0), width - half - 2.0),
             min(max(mark.y + ky * (mark.ty - mark.y) + dy, LINE), height - 4.0))
            for k in (1.0, -1.0, 1.5, -1.5, 2.0, -2.0, 2.5, -2.5)
            for kx, ky, dy in ((k, k, 0.0), (k, k, LINE), (k, k, -LINE), (k, k, 2 * LINE), (k, k, -2 * LINE))
        ]  # fmt: skip
        free = [
            (x, y)
            for x, y in spots
            if all(abs(x - o.tx) > half + 0.5 * LETTER * len(o.name) or abs(y - o.ty) >= LINE - 1e-6 for o in out)
            and all(abs(x - m.x) > half + POINT or not -POINT < y - m.y < LINE + POINT - 6.0 for m in marks)
        ]
        tx, ty = (free or spots)[0]
        out.append(PlaceMark(mark.name, mark.x, mark.y, tx, ty))
    return tuple(out)


def corner_trace(reference: Reference, zone: Zone, system: Units = METRIC) -> CornerTrace:
    """Return speed, brake and throttle of the reference over the corner."""
    low, high = zone.quiet_m - BEFORE_M, max(zone.end_m, zone.exit_m) + AFTER_M
    s = np.arange(low, high, 2.0)
    speed = reference.at("speed_mps", s) * system.per_mps
    # one scale for all corners, so that a slow corner looks slow
    every = reference.speed_mps * system.per_mps
    bottom = 20.0 * np.floor(float(every.min()) / 20.0)
    top = max(20.0 * np.ceil(float(every.max()) / 20.0), bottom + 20.0)

    def x(place: Floats | float) -> Floats:
        return np.asarray(LEFT + (np.asarray(place) - low) / (high - low) * (RIGHT - LEFT))

    def pedal(name: str) -> str:
        values = reference.at(name, s)
        if not np.isfinite(values).any():
            return ""
        return svg_points(x(s), PEDAL_TOP + PEDAL_HIGH * (1.0 - np.nan_to_num(values)))

    ticks = [bottom + k * (top - bottom) / 2 for k in range(3)]
    y_of = [TOP + SPEED_HIGH * (1.0 - (v - bottom) / (top - bottom)) for v in ticks]
    step = next(n for n in (20, 50, 100, 200, 500, 1000, 5000) if (high - low) * system.per_m / n <= 6)
    along = np.arange(np.ceil(low * system.per_m / step) * step, high * system.per_m, step) / system.per_m
    marks = []
    used = -100.0
    for name, place in places_of(zone):
        px = float(x(place))
        # two places close together: put the second name a line lower
        close = px - used < 84.0
        marks.append(PlaceMark(name, px, TOP, px, TOP - 32.0 if not close else TOP - 7.0))
        used = px if not close else -100.0
    return CornerTrace(
        svg_points(x(s), TOP + SPEED_HIGH * (1.0 - (speed - bottom) / (top - bottom))),
        pedal("brake"),
        pedal("throttle"),
        tuple((y, f"{v:.0f}") for y, v in zip(y_of, ticks, strict=True)),
        tuple((float(x(p)), system.length_text(_on_lap(p, reference))) for p in along.tolist()),
        tuple(marks),
    )


def _on_lap(place: float, reference: Reference) -> float:
    return place % reference.length_m if reference.closed else place
