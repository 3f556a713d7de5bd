"""The per-lap dots of a corner: brake point and minimum speed, as differences from the reference."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from coach.core.unit_system import METRIC, Units
from coach.pages.look import EVEN, INK, PAPER, QUIET_INK, RULE

_FONT: Final = {"fontFamily": "system-ui, sans-serif", "fontSize": 11, "color": QUIET_INK}
LEAST: Final = {"brake": 10.0, "slowest": 5.0}
"""Least extent of a scale to both sides of the reference, so that normal scatter looks small."""
INSIDE: Final = 0.95
"""Share of all dots within the shared scale; the rest appear at its edge with their value."""


@dataclass(frozen=True)
class Dot:
    """One lap: difference of brake point (+ is later) and minimum speed from the reference in one unit system.

    None if unknown.
    """

    lap: int
    brake: float | None
    slowest: float | None
    valid: bool
    best: bool


class Scales(NamedTuple):
    """How far the axes reach to both sides of the reference, in the unit system of the dots."""

    brake: float
    slowest: float


def shared_scales(corners: Sequence[Sequence[Dot]]) -> Scales:
    """Return one scale per measure that contains nearly all dots of all corners."""
    return Scales(*(_reach(name, corners) for name in LEAST))


def _reach(name: str, corners: Sequence[Sequence[Dot]]) -> float:
    sizes = sorted(abs(v) for dots in corners for d in dots if (v := getattr(d, name)) is not None)
    most = sizes[min(len(sizes) - 1, math.floor(INSIDE * len(sizes)))] if sizes else 0.0
    step = 5.0
    return max(LEAST[name], step * math.ceil(1.1 * most / step))


def dots_chart(dots: Sequence[Dot], scales: Scales, system: Units = METRIC) -> dict[str, Any]:
    """Return chart options: two panels side by side over the lap number, the reference as the line at 0."""
    columns = [
        ("brake", f"brake point {system.length} (+ later)", scales.brake),
        ("slowest", f"minimum speed {system.speed}", scales.slowest),
    ]
    if all(d.brake is None for d in dots):
        del columns[0]
    width = 100.0 / len(columns)
    laps = [d.lap for d in dots]
    return {
        "animation": False,
        "title": [
            {"text": title, "left": f"{i * width:.0f}%", "top": 0, "textStyle": {**_FONT, "color": INK}}
            for i, (_, title, _) in enumerate(columns)
        ],
        "tooltip": {"trigger": "item", "renderMode": "richText", "textStyle": {**_FONT, "color": INK}},
        "grid": [
            {"left": f"{i * width + 22.0 / len(columns):.0f}%", "width": f"{width - 28.0 / len(columns):.0f}%",
             "top": 24, "bottom": 24}
            for i in range(len(columns))
        ],
        "xAxis": [_lap_axis(i, laps) for i in range(len(columns))],
        "yAxis": [
            {"type": "value", "gridIndex": i, "min": -reach, "max": reach, "interval": reach, "axisLabel": _FONT,
             "axisLine": {"onZero": False},
             "splitLine": {"lineStyle": {"color": RULE, "opacity": 0.5}}}
            for i, (_, _, reach) in enumerate(columns)
        ],
        "series": [_series(i, name, reach, dots) for i, (name, _, reach) in enumerate(columns)],
    }  # fmt: skip


def _lap_axis(i: int, laps: Sequence[int]) -> dict[str, Any]:
    low, high = (min(laps) - 1, max(laps) + 1) if laps else (0, 1)
    return {
        "type": "value",
        "gridIndex": i,
        "min": low,
        "max": high,
        "minInterval": 1,
        "axisLabel": {**_FONT, "hideOverlap": True, "showMinLabel": False, "showMaxLabel": False},
        "axisLine": {"onZero": False, "lineStyle": {"color": EVEN}},
        "splitLine": {"show": False},
    }


def _series(i: int, name: str, reach: float, dots: Sequence[Dot]) -> dict[str, Any]:
    data = []
    for dot in dots:
        value = getattr(dot, name)
        if value is None:
            continue
        style = {"color": INK} if dot.valid else {"color": PAPER, "borderColor": INK, "borderWidth": 1.5}
        item: dict[str, Any] = {
            "name": f"lap {dot.lap}",
            "value": [dot.lap, round(max(-reach, min(reach, value)), 1)],
            "itemStyle": style,
        }
        if dot.best:
            item |= {"symbol": "diamond", "symbolSize": 13}
        if abs(value) > reach:
            item |= {
                "symbol": "triangle",
                "symbolSize": 9,
                "symbolRotate": 0 if value > 0 else 180,
                "label": {"show": True, "formatter": f"{value:+.0f}", "position": "right", **_FONT},
            }
        data.append(item)
    line = {
        "silent": True,
        "symbol": "none",
        "label": {"show": False},
        "lineStyle": {"color": EVEN, "type": "solid", "width": 1.5},
        "data": [{"yAxis": 0}],
    }
    return {
        "type": "scatter",
        "xAxisIndex": i,
        "yAxisIndex": i,
        "symbolSize": 7,
        "clip": False,
        "data": data,
        "markLine": line,
    }
