"""The circuit as a drawing: one scalable picture of plain lines and letters, and marks in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.diagnose.advice import apex_name
from coach.core.track.reference import Reference
from coach.core.values import Corner, Mark
from coach.pages.look import EVEN, GAINED, LOST, svg_points


def corner_near(corners: Sequence[Corner], s_m: float, reference: Reference) -> int:
    """Return the corner (of at least one) nearest to a place: the distance is 0 from its brake point, or turn-in, to
    its end.
    """

    def away(corner: Corner) -> float:
        first = min(corner.brake_m, corner.turn_in_m) if corner.brake_m == corner.brake_m else corner.turn_in_m
        shifts = (-1, 0, 1) if reference.closed else (0,)
        places = [s_m + n * reference.length_m for n in shifts]
        return min(max(first - place, place - corner.end_m, 0.0) for place in places)

    return min(range(len(corners)), key=lambda i: away(corners[i]))


def mark_lines(marks: Sequence[Mark], corners: Sequence[Corner], reference: Reference) -> tuple[str, ...]:
    """Return one line per mark: its name, place, lap and corner."""
    if not corners:
        return ()
    near = [corners[corner_near(corners, m.s_m, reference)].name for m in marks]
    return tuple(f"{m.name}: {m.s_m:.0f} m, lap {m.lap}, at {name}" for m, name in zip(marks, near, strict=True))


WIDTH: Final = 1000.0
PAD: Final = 90.0
ARROW_AFTER_M: Final = 45.0
ARROW_BESIDE: Final = 26.0
"""Position of the direction arrow: along the lap [m], and beside the track [picture units]."""
PIECE_M: Final = 20.0
"""Length of one coloured piece of the map [m]."""
CLEAR_S_PER_100M: Final = 0.02
"""Least loss of a piece marked as lost or gained [s per 100 m]."""
FULL_S_PER_100M: Final = 0.12
"""Loss drawn at full strength [s per 100 m]."""


@dataclass(frozen=True)
class CornerLabel:
    """A corner's name beside the track, in picture coordinates."""

    corner: str
    x: float
    y: float
    note: str = ""


@dataclass(frozen=True)
class TrackPiece:
    """A piece of track: ``points`` in SVG form; ``kind`` gained, lost or even."""

    points: str
    colour: str
    width: float
    kind: str


class TrackMap:
    """Places along the reference in the coordinates of a picture WIDTH wide and ``height`` high.

    ``known`` is False for a reference without positions, which has no map.
    """

    def __init__(self, reference: Reference, corners: Sequence[Corner], marks: Sequence[Mark] = ()) -> None:
        self.reference = reference
        self.corners = tuple(corners)
        self._marks = tuple(marks)
        self.known = reference.has_line
        self.height = WIDTH
        if not self.known:
            return
        # rotate a circuit that is taller than wide, as pages scroll downward
        self._turned = float(np.ptp(reference.y_m)) > 1.1 * float(np.ptp(reference.x_m))
        x, y = self._laid(reference.x_m, reference.y_m)
        span = max(float(np.ptp(x)), 1.0)
        self._scale = (WIDTH - 2 * PAD) / span
        self._x0 = float(x.min()) - 0.5 * (span - float(np.ptp(x)))
        self._y0 = float(y.min())
        self.height = float(np.ptp(y)) * self._scale + 2 * PAD

    def _laid(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return right and down in the picture from east and north."""
        return (y, x) if self._turned else (x, -y)

    def direction(self, s_m: float) -> tuple[float, float]:
        """Return unit vector along the track in the picture."""
        heading = float(self.reference.at("heading_rad", s_m))
        x, y = self._laid(np.cos(heading), np.sin(heading))
        return float(x), float(y)

    def xy(self, s_m: Floats | float) -> tuple[Floats, Floats]:
        """Return picture coordinates of places along the reference [m]."""
        x, y = self._laid(self.reference.at("x_m", s_m), self.reference.at("y_m", s_m))
        return (x - self._x0) * self._scale + PAD, (y - self._y0) * self._scale + PAD

    def line(self, low_m: float, high_m: float, step_m: float = 4.0) -> str:
        """Return the track from one place to another, as the points of a polyline."""
        x, y = self.xy(np.append(np.arange(low_m, high_m, step_m), high_m))
        return svg_points(x, y)

    def box(self, low_m: float, high_m: float) -> tuple[float, float, float, float]:
        """Return the box (x, y, width, height) around the track between two places, with a margin."""
        x, y = self.xy(np.append(np.arange(low_m, high_m, 4.0), high_m))
        width = max(float(np.ptp(x)), float(np.ptp(y)) * 1.35) * 1.35
        height = width / 1.35
        middle = 0.5 * float(x.min() + x.max()), 0.5 * float(y.min() + y.max())
        return middle[0] - 0.5 * width, middle[1] - 0.5 * height, width, height

    def whole(self) -> str:
        """Return the whole lap; closed for a closed circuit."""
        return self.line(0.0, self.reference.length_m)

    def pieces(self, s_m: Floats, lost_s: Floats) -> list[TrackPiece]:
        """Return the track in pieces coloured by time loss: ``lost_s`` (n,) is the mean time lost up to
        ``s_m`` (n,).
        """
        length = self.reference.length_m
        edges = np.linspace(0.0, length, max(2, round(length / PIECE_M)) + 1)
        known = np.isfinite(lost_s)
        if known.sum() < 2:
            return [TrackPiece(self.line(0.0, length), EVEN, 7.0, "even")]
        at = np.interp(edges, s_m[known], lost_s[known])
        rate = np.diff(at) / np.diff(edges) * 100.0
        rate = np.convolve(np.pad(rate, 1, mode="edge"), (0.25, 0.5, 0.25), "valid")
        return [self._piece(a, b, r) for a, b, r in zip(edges[:-1], edges[1:], rate.tolist(), strict=True)]

    def _piece(self, low: float, high: float, rate: float) -> TrackPiece:
        points = self.line(low, high + 1.0)
        if abs(rate) < CLEAR_S_PER_100M:
            return TrackPiece(points, EVEN, 7.0, "even")
        strength = min(abs(rate) / FULL_S_PER_100M, 1.0)
        kind, colour = ("lost", LOST) if rate > 0 else ("gained", GAINED)
        return TrackPiece(points, colour, 9.0 + 13.0 * strength, kind)

    def labels(self, notes: Sequence[str] = ()) -> list[CornerLabel]:
        """Return the corners' names beside the track, on its outside if there is room; ``notes`` go under them."""
        out: list[CornerLabel] = []
        for i, corner in enumerate(self.corners):
            x, y = (float(v) for v in self.xy(corner.apex_m))
            ahead = self.direction(corner.apex_m)
            # outside of the bend: to the right of a left-hander
            side = 1.0 if corner.direction == "left" else -1.0
            spot = _free(x, y, -ahead[1] * side, ahead[0] * side, out)
            out.append(CornerLabel(corner.name, *spot, notes[i] if i < len(notes) else ""))
        return out

    def apexes(self) -> list[CornerLabel]:
        """Return the apexes of the corners that have several."""
        several = [c for c in self.corners if c.more_apexes_m]
        named = [
            (f"{c.name}, {apex_name(n, len(c.apexes_m))}", place)
            for c in several
            for n, place in enumerate(c.apexes_m, start=1)
        ]
        return [CornerLabel(name, float(x), float(y)) for name, place in named for x, y in (self.xy(place),)]

    def marks(self) -> list[CornerLabel]:
        """Return the driver's marks on the track."""
        return [CornerLabel(m.name, float(x), float(y)) for m in self._marks for x, y in (self.xy(m.s_m),)]

    def arrow(self) -> str:
        """Return an arrow head beside the track just after the finish line that shows the direction of travel, as
        points.
        """
        return self.arrow_at(min(ARROW_AFTER_M, 0.5 * self.reference.length_m), 13.0, ARROW_BESIDE)

    def arrow_at(self, s_m: float, half: float, beside: float = 0.0) -> str:
        """Return an arrow head of half width ``half`` at ``s_m`` [m], ``beside`` the track [picture units],
        as points.
        """
        x, y = (float(v) for v in self.xy(s_m))
        dx, dy = self.direction(s_m)
        x, y = x + beside * dy, y - beside * dx
        corners = ((1.7 * half, 0.0), (-1.1 * half, half), (-0.45 * half, 0.0), (-1.1 * half, -half))
        return " ".join(f"{x + a * dx - b * dy:.1f},{y + a * dy + b * dx:.1f}" for a, b in corners)

    def start(self) -> tuple[float, float, float, float]:
        """Return a stroke across the track at the finish line."""
        x, y = (float(v) for v in self.xy(0.0))
        dx, dy = self.direction(0.0)
        return x + 20.0 * dy, y - 20.0 * dx, x - 20.0 * dy, y + 20.0 * dx


def _free(x: float, y: float, nx: float, ny: float, taken: Sequence[CornerLabel]) -> tuple[float, float]:
    """Return a free place for a name: outward first, then farther, then inward."""
    spots = [(x + nx * d, y + ny * d) for d in (46.0, 64.0, -46.0, 84.0, -64.0)]
    for a, b in spots:
        if all(abs(a - t.x) > 74.0 or abs(b - t.y) > 44.0 for t in taken):
            return a, b
    return spots[0]
