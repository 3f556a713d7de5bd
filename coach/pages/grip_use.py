"""The use of grip in a corner as a picture: braking, cornering and acceleration as shares of the car's limits.

The outline is the limit, a dot one place of one pass: on the line is full use, the gap is the reserve. Phases differ in
shape and colour, and the text beside the picture gives each share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.pages import look

Floats = NDArray[np.float64]
SIZE: Final = 270.0
RADIUS: Final = 92.0
MOST_POINTS: Final = 60
"""Most dots per phase: more would overlap."""
MARKS: Final = {
    "braking": ("M-4,-4H4L0,4Z", look.BRAKE),
    "entry": ("M0,-4.6L4.6,0L0,4.6L-4.6,0Z", look.LAP_COLOURS[3]),
    "middle": ("M-3.6,-3.6H3.6V3.6H-3.6Z", look.INK),
    "exit": ("M-4,4H4L0,-4Z", look.THROTTLE),
}
"""Shape and colour of each phase: the shapes alone distinguish them."""


@dataclass(frozen=True)
class PhaseUse:
    """One phase: its use of grip in words (empty where unknown), its mark, and the dots [viewBox units]."""

    name: str
    use: str
    shape: str
    colour: str
    dots: Sequence[tuple[float, float]]


@dataclass(frozen=True)
class GripView:
    """One corner: the headroom and the advice in words, the outline of the limit as a path, the phases."""

    corner: str
    left: str
    interval: str
    advice: str
    outline: str
    phases: Sequence[PhaseUse]
    words: str
    described: str


def outline(exponent: float) -> str:
    """Return the limit as an SVG path: ``|x|^p + |y|^p = 1`` around the middle of the picture."""
    angle = np.linspace(0.0, 2.0 * np.pi, 97)
    x, y = np.cos(angle), np.sin(angle)
    far = (np.abs(x) ** exponent + np.abs(y) ** exponent) ** (-1.0 / exponent)
    points = [_place(a, b) for a, b in zip((far * x).tolist(), (far * y).tolist(), strict=True)]
    return "M" + "L".join(f"{a:.1f},{b:.1f}" for a, b in points) + "Z"


def phases(points: Mapping[str, Floats], use: Mapping[str, float | None]) -> list[PhaseUse]:
    """Return the phases with their dots; ``points`` hold lateral (left +) and longitudinal shares, each (2, n)."""
    out = []
    for name, (shape, colour) in MARKS.items():
        both = points.get(name, np.empty((2, 0)))
        every = max(1, -(-both.shape[1] // MOST_POINTS))
        # seen from above: in a left turn the tyres push to the left
        dots = [_place(-x, y) for x, y in np.clip(both[:, ::every], -1.25, 1.25).T.tolist()]
        share = use.get(name)
        out.append(
            PhaseUse(name, "" if share is None else f"{100 * share:.0f}\N{NO-BREAK SPACE}%", shape, colour, dots)
        )
    return out


def _place(x: float, y: float) -> tuple[float, float]:
    return round(SIZE / 2 + RADIUS * x, 1), round(SIZE / 2 - RADIUS * y, 1)
