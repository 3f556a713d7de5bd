"""Laps against distance, side by side with the reference, and the chart that shows them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from coach.core.columns import Floats
from coach.core.unit_system import METRIC, Units
from coach.core.values import Corner
from coach.pages.look import EVEN, INK, LAP_COLOURS, LAP_DASHES, QUIET_INK, RULE

REFERENCE: Final = "reference"
PANELS: Final = (
    ("speed", "speed {unit}", 1, 26),
    ("delta", "time lost s", 3, 17),
    ("brake", "brake %", 0, 11),
    ("throttle", "throttle %", 0, 11),
    ("offset", "line offset {length} (left +)", 2, 15),
)
"""Channel, title, decimals, height in percent."""


@dataclass(frozen=True)
class Traces:
    """Channels of PANELS over places ``s_m`` (n,) [m], in the units of ``system``; NaN where absent.

    ``laps`` holds the available laps; ``shown`` those shown at first.
    """

    s_m: Floats
    reference: Mapping[str, Floats]
    laps: Mapping[int, Mapping[str, Floats]]
    shown: tuple[int, ...] = ()
    names: Mapping[int, str] = field(default_factory=dict)
    system: Units = METRIC


def trace_chart(traces: Traces, corners: Sequence[Corner], marks: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
    """Return the options of the chart: panels over one another with one distance axis, hover and zoom linked."""
    used = [
        (channel, title.replace("{unit}", traces.system.speed).replace("{length}", traces.system.length), digits, share)
        for channel, title, digits, share in PANELS
        if _has(traces, channel)
    ]
    rows = [*traces.laps.items()]
    names = [REFERENCE, *(lap_name(lap) for lap, _ in rows)]
    grids, x_axes, y_axes, series, titles = [], [], [], [], []
    total = sum(p[3] for p in used) or 1
    top, room = 0.5, 88.6 - 4.6 * len(used)
    end = float(traces.s_m[-1]) * traces.system.per_m if len(traces.s_m) else 1.0
    for i, (channel, title, _, share) in enumerate(used):
        height = room * share / total
        titles.append({"text": title, "left": 8, "top": f"{top:.1f}%", "padding": 0, "textStyle": _text(12, INK, 600)})
        # the corners' names have their own row above the first panel
        top += 5.4 if i == 0 else 3.2
        grids.append(
            {"left": 46, "right": 14, "top": f"{top:.1f}%", "height": f"{height:.1f}%", "outerBoundsMode": "none"}
        )
        x_axes.append(_x_axis(i, end, traces.system.length, last=i == len(used) - 1))
        y_axes.append(_y_axis(i, channel))
        series += _lines(traces, i, channel, rows)
        if series:
            series[-1 - len(rows)]["markArea"] = _areas(corners, traces.system.per_m, named=i == 0)
        top += height + 1.1
    if marks and used:
        series.append(_points(marks))
    return {
        "animation": False,
        "aria": {"enabled": True, "label": {"description": _described(used, traces)}},
        "title": titles,
        "legend": {"show": False, "data": names, "selected": _selected(traces, rows)},
        "tooltip": {"trigger": "axis", "renderMode": "richText", "order": "seriesAsc", "textStyle": _text(12, INK)},
        "axisPointer": {"link": [{"xAxisIndex": "all"}], "lineStyle": {"color": INK}},
        "grid": grids,
        "xAxis": x_axes,
        "yAxis": y_axes,
        "dataZoom": [
            {"type": "inside", "xAxisIndex": "all", "zoomOnMouseWheel": "ctrl", "moveOnMouseMove": True},
            {"type": "slider", "xAxisIndex": "all", "bottom": 8, "height": 22, "brushSelect": False},
        ],
        "dataset": {"source": _columns(traces, used, rows)},
        "series": series,
    }


def lap_name(lap: int) -> str:
    """Return a lap's name on the pages."""
    return f"lap {lap}"


def lap_looks(traces: Traces) -> dict[int, dict[str, Any]]:
    """Return colour and dash of each lap; laps shown at first get the most distinct colours."""
    order = [lap for lap in traces.shown if lap in traces.laps]
    order += [lap for lap in traces.laps if lap not in traces.shown]
    return {lap: _look(i) for i, lap in enumerate(order)}


def _look(position: int) -> dict[str, Any]:
    dash = LAP_DASHES[(position // len(LAP_COLOURS)) % len(LAP_DASHES)]
    return {"color": LAP_COLOURS[position % len(LAP_COLOURS)], "type": dash, "width": 1.8}


def _has(traces: Traces, channel: str) -> bool:
    return any(bool(np.isfinite(lap[channel]).any()) for lap in (traces.reference, *traces.laps.values()))


def _text(size: int, colour: str, weight: int = 400) -> dict[str, Any]:
    return {"fontSize": size, "color": colour, "fontWeight": weight, "fontFamily": "system-ui, sans-serif"}


def _x_axis(i: int, end: float, unit: str, last: bool) -> dict[str, Any]:
    return {
        "type": "value",
        "gridIndex": i,
        "min": 0,
        "max": round(end, 1),
        "axisLabel": {
            "show": last,
            "formatter": f"{{value}} {unit}",
            **_text(11, QUIET_INK),
            "hideOverlap": True,
            "showMaxLabel": False,
        },
        "axisTick": {"show": last},
        "axisLine": {"onZero": False, "lineStyle": {"color": EVEN}},
        "splitLine": {"lineStyle": {"color": RULE, "opacity": 0.5}},
        "axisPointer": {"show": True, "snap": True, "label": {"show": last, "precision": 0}},
    }


def _y_axis(i: int, channel: str) -> dict[str, Any]:
    pedal = channel in ("brake", "throttle")
    return {
        "type": "value",
        "gridIndex": i,
        "scale": True,
        **({"min": 0, "max": 100, "interval": 50} if pedal else {"splitNumber": 3}),
        "axisLabel": {**_text(11, QUIET_INK), "hideOverlap": True},
        "splitLine": {"lineStyle": {"color": RULE, "opacity": 0.5}},
    }


def _lines(
    traces: Traces, panel: int, channel: str, rows: Sequence[tuple[int, Mapping[str, Floats]]]
) -> list[dict[str, Any]]:
    base = {
        "type": "line",
        "xAxisIndex": panel,
        "yAxisIndex": panel,
        "showSymbol": False,
        "emphasis": {"disabled": True},
    }
    out = [
        {
            **base,
            "id": f"{channel} 0",
            "name": REFERENCE,
            "encode": {"x": "s", "y": f"{channel} 0"},
            "lineStyle": {"color": INK, "width": 1.2},
            "itemStyle": {"color": INK},
        }
    ]
    looks = lap_looks(traces)
    for lap, _ in rows:
        look = looks[lap]
        style = {"lineStyle": look, "itemStyle": {"color": look["color"]}}
        out.append(
            {
                **base,
                "id": f"{channel} {lap}",
                "name": lap_name(lap),
                "encode": {"x": "s", "y": f"{channel} {lap}"},
                **style,
            }
        )
    return out


def _areas(corners: Sequence[Corner], per_m: float, named: bool) -> dict[str, Any]:
    """Return the bands from turn-in to exit; the corner's name above the first panel."""
    label = {"show": named, "position": "top", "distance": 2, **_text(11, INK)}
    return {"silent": True, "itemStyle": {"color": INK, "opacity": 0.06}, "label": label, "data": bands(corners, per_m)}


def bands(corners: Sequence[Corner], per_m: float = 1.0) -> list[list[dict[str, Any]]]:
    """Return the corners as chart bands; names of neighbours alternate between two rows."""
    return [
        [
            {"name": c.name, "xAxis": c.turn_in_m * per_m, "label": {"distance": 2 + 13 * (i % 2)}},
            {"xAxis": c.exit_m * per_m},
        ]
        for i, c in enumerate(corners)
    ]


def _points(marks: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return the places of the corner being edited, on the speed panel; as draggable points."""
    return {
        "id": "places",
        "name": "places",
        "type": "scatter",
        "xAxisIndex": 0,
        "yAxisIndex": 0,
        "symbolSize": 15,
        "z": 10,
        "cursor": "ew-resize",
        "itemStyle": {"color": "#ffffff", "borderColor": INK, "borderWidth": 2.5},
        "label": {"show": True, "formatter": "{b}", "position": "top", **_text(11, INK, 600)},
        "tooltip": {"show": False},
        "data": list(marks),
    }


def _selected(traces: Traces, rows: Sequence[tuple[int, Any]]) -> dict[str, bool]:
    return {REFERENCE: True, **{lap_name(lap): lap in traces.shown for lap, _ in rows}}


def _columns(
    traces: Traces, used: Sequence[tuple[str, str, int, int]], rows: Sequence[tuple[int, Mapping[str, Floats]]]
) -> dict[str, list[float | None]]:
    out = {"s": _numbers(traces.s_m * traces.system.per_m, 1)}
    for channel, _, decimals, _ in used:
        out[f"{channel} 0"] = _numbers(traces.reference[channel], decimals)
        for lap, channels in rows:
            out[f"{channel} {lap}"] = _numbers(channels[channel], decimals)
    return out


def _numbers(values: Floats, decimals: int) -> list[float | None]:
    rounded = np.round(values, decimals)
    plain: list[float] = (rounded.astype(np.int64) if not decimals and np.isfinite(rounded).all() else rounded).tolist()
    return [v if v == v else None for v in plain]


def _described(used: Sequence[tuple[str, str, int, int]], traces: Traces) -> str:
    what = ", ".join(p[1] for p in used)
    return f"Line charts of {what} against distance: the reference and {len(traces.laps)} laps that can be chosen."
