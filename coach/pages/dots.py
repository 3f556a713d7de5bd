"""The per-lap dots of a corner: brake point and lowest speed, beside the reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from coach.pages.look import EVEN, INK, QUIET_INK, RULE

_FONT: Final = {"fontFamily": "system-ui, sans-serif", "fontSize": 11, "color": QUIET_INK}


@dataclass(frozen=True)
class Dot:
    """One lap: brake point [m along the lap] or None, lowest speed [km/h] or None."""

    lap: int
    brake_m: float | None
    slowest_kmh: float | None
    valid: bool
    best: bool


def dots_chart(dots: Sequence[Dot], brake_m: float | None, slowest_kmh: float | None) -> dict[str, Any]:
    """Chart options: two panels side by side over the lap number, the reference as a line in each."""
    braked = brake_m is not None or any(d.brake_m is not None for d in dots)
    titles = ["brake point m", "lowest speed km/h"] if braked else ["lowest speed km/h"]
    columns = [("brake_m", brake_m), ("slowest_kmh", slowest_kmh)] if braked else [("slowest_kmh", slowest_kmh)]
    width = 100.0 / len(columns)
    laps = [d.lap for d in dots]
    return {
        "animation": False,
        "title": [
            {"text": title, "left": f"{i * width:.0f}%", "top": 0, "textStyle": {**_FONT, "color": INK}}
            for i, title in enumerate(titles)
        ],
        "tooltip": {"trigger": "item", "renderMode": "richText", "textStyle": {**_FONT, "color": INK}},
        "grid": [
            {"left": f"{i * width + (13 if braked else 9):.0f}%", "width": f"{width - (17 if braked else 13):.0f}%",
             "top": 24, "bottom": 24}
            for i in range(len(columns))
        ],
        "xAxis": [_lap_axis(i, laps) for i in range(len(columns))],
        "yAxis": [
            {"type": "value", "gridIndex": i, "scale": True, "splitNumber": 3, "axisLabel": _FONT,
             "axisLine": {"onZero": False},
             "splitLine": {"lineStyle": {"color": RULE, "opacity": 0.5}}}
            for i in range(len(columns))
        ],
        "series": [_series(i, name, at, dots) for i, (name, at) in enumerate(columns)],
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


def _series(i: int, name: str, reference: float | None, dots: Sequence[Dot]) -> dict[str, Any]:
    data = []
    for dot in dots:
        value = getattr(dot, name)
        if value is None:
            continue
        style = {"color": INK} if dot.valid else {"color": "#ffffff", "borderColor": INK, "borderWidth": 1.5}
        data.append(
            {"name": f"lap {dot.lap}", "value": [dot.lap, round(value, 1)], "itemStyle": style,
             **({"symbol": "diamond", "symbolSize": 13} if dot.best else {})}
        )  # fmt: skip
    line = {
        "silent": True,
        "symbol": "none",
        "label": {"show": False},
        "lineStyle": {"color": EVEN, "type": "solid", "width": 1.5},
        "data": [{"yAxis": round(reference, 1)}] if reference is not None else [],
    }
    return {
        "type": "scatter",
        "xAxisIndex": i,
        "yAxisIndex": i,
        "symbolSize": 8,
        "data": data,
        "markLine": line,
    }
