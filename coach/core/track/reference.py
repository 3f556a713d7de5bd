"""The reference: one lap on an even grid of about 1 m along its own line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from coach.core.columns import Floats
from coach.core.track.envelope import Shown


@dataclass(frozen=True, eq=False)
class Reference:
    """One lap resampled along its own line.

    All arrays have shape (n,); node ``i`` lies at ``i * step_m``. A closed circuit has ``n * step_m ==
    length_m`` and node ``n`` is node 0 again; a point-to-point course has ``(n - 1) * step_m == length_m``.
    ``t_s`` starts at 0 at node 0, ``lap_time_s`` is the time back at the line. Heading in radians
    counter-clockwise from east; curvature in 1/m, left positive. Absent channels are all NaN.
    ``left_m`` and ``right_m`` are the track edges seen from the line (>= 0), NaN where unknown.
    """

    circuit: str
    closed: bool
    step_m: float
    length_m: float
    lap_time_s: float
    t_s: Floats
    x_m: Floats
    y_m: Floats
    z_m: Floats
    heading_rad: Floats
    curvature_pm: Floats
    speed_mps: Floats
    throttle: Floats
    brake: Floats
    gear: Floats
    left_m: Floats
    right_m: Floats
    origin_lat_deg: float = float("nan")
    origin_lon_deg: float = float("nan")
    inferred_pedals: bool = False
    shown: Shown | None = None
    """The car's envelope from the laps; None if unknown."""

    def __post_init__(self) -> None:
        n = len(self.t_s)
        for name in REFERENCE_COLUMNS:
            if len(getattr(self, name)) != n:
                raise ValueError(f"reference column {name} has {len(getattr(self, name))} nodes, t_s has {n}")

    def __len__(self) -> int:
        return len(self.t_s)

    @property
    def has_line(self) -> bool:
        """Whether the reference has positions, not only lap distance."""
        return bool(np.isfinite(self.x_m[0]))

    def at(self, name: str, s_m: Floats | float) -> Floats:
        """Return column ``name`` at places ``s_m`` [m], linear between nodes; wraps on a closed circuit.

        ``t_s`` and ``heading_rad`` continue over the seam (the next lap's time and unwrapped heading).
        """
        column: Floats = getattr(self, name)
        s = np.asarray(s_m, dtype=np.float64)
        if not self.closed:
            return np.interp(s / self.step_m, np.arange(len(column)), column)
        turns = np.floor(s / self.length_m)
        position = (s - turns * self.length_m) / self.step_m
        i = np.minimum(position.astype(np.intp), len(column) - 1)
        last = column[0]
        carry = 0.0
        if name == "t_s":
            last, carry = self.lap_time_s, self.lap_time_s
        elif name == "heading_rad":
            carry = float(np.round((column[-1] - column[0]) / (2 * np.pi)) * 2 * np.pi)
            last = column[0] + carry
        right = np.where(i + 1 < len(column), column[(i + 1) % len(column)], last)
        value: Floats = column[i] + (position - i) * (right - column[i]) + turns * carry
        return value

    def value(self, name: str, s_m: float) -> float:
        """Return :meth:`at` for a single place, bit for bit but many times faster."""
        if not self.closed:
            return float(self.at(name, s_m))
        column = self._lists.get(name)
        if column is None:
            column = self._lists[name] = getattr(self, name).tolist()
            # the node after the last is the next lap's line
            column.append(float(self.at(name, self.length_m)))
        turns = math.floor(s_m / self.length_m)
        position = (s_m - turns * self.length_m) / self.step_m
        i = min(int(position), len(column) - 2)
        carry = self.lap_time_s if name == "t_s" else column[-1] - column[0] if name == "heading_rad" else 0.0
        return column[i] + (position - i) * (column[i + 1] - column[i]) + turns * carry

    @cached_property
    def _lists(self) -> dict[str, list[float]]:
        return {}

    def on_nodes(self, name: str, first: int, last: int) -> Floats:
        """Return column ``name`` (none that grows from lap to lap) at nodes ``first`` to ``last``; an open
        course ends.
        """
        column: Floats = getattr(self, name)
        if not self.closed or last - first >= len(column):
            return np.take(column, np.arange(first, last + 1), mode="wrap" if self.closed else "clip")
        twice = self._twice.get(name)
        if twice is None:
            twice = self._twice[name] = np.concatenate((column, column))
        begin = first % len(column)
        return twice[begin : begin + last + 1 - first]

    @cached_property
    def _twice(self) -> dict[str, Floats]:
        return {}


REFERENCE_COLUMNS = (
    "t_s",
    "x_m",
    "y_m",
    "z_m",
    "heading_rad",
    "curvature_pm",
    "speed_mps",
    "throttle",
    "brake",
    "gear",
    "left_m",
    "right_m",
)
