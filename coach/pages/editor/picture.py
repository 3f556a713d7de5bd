"""Map and traces of the editor, both with the chosen corner's places as draggable points."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from nicegui import ui

from coach.core.diagnose.advice import apex_name
from coach.core.values import KMH, Corner
from coach.pages.editor.desk import Desk
from coach.pages.editor.words import MORE_APEXES
from coach.pages.render import environment
from coach.pages.traces import Traces, bands, lap_name, trace_chart
from coach.pages.track_map import TrackMap

APART: Final = 26.0
NAME_AWAY: Final = 19.0
"""Least distance of two handles, and distance of a name from its handle [1/420 of the drawing's width]."""
AROUND_M: Final = 50.0
"""Margin of a corner's drawing beyond its points [m]."""


def handles(corner: Corner) -> list[tuple[str, str, float]]:
    """Return (field, name, place [m]) of a corner's draggable points."""
    out = [] if corner.brake_m != corner.brake_m else [("brake_m", "brake", corner.brake_m)]
    out.append(("turn_in_m", "turn in", corner.turn_in_m))
    more = [(f"{MORE_APEXES}.{i}", place) for i, place in enumerate(corner.more_apexes_m)]
    apexes = sorted([("apex_m", corner.apex_m), *more], key=lambda point: point[1])
    out += [(field, apex_name(n, len(apexes)), place) for n, (field, place) in enumerate(apexes, start=1)]
    return [*out, ("exit_m", "exit", corner.exit_m)]


def told_apart(points: list[dict[str, Any]], track: TrackMap, direction: str, unit: float) -> None:
    """Place each point's handle (``hx``, ``hy``) and name (``tx``, ``ty``) without overlaps.

    A handle is on the line; one too close to the previous is beside the line, on alternate sides.
    """
    outside = 1.0 if direction == "left" else -1.0
    side, before = 0.0, None
    for point in points:
        dx, dy = track.direction(point["place"])
        near = before is not None and math.hypot(point["x"] - before["x"], point["y"] - before["y"]) < APART * unit
        side = (-1.0 if side >= 0.0 else 1.0) if near else 0.0
        # across the track in the picture: to its right, which is outside of a left-hander
        across = (-dy * outside, dx * outside)
        away = side * APART * unit
        point["hx"], point["hy"] = point["x"] + across[0] * away, point["y"] + across[1] * away
        beyond = (side or 1.0) * NAME_AWAY * unit
        point["tx"], point["ty"] = point["hx"] + across[0] * beyond, point["hy"] + across[1] * beyond + 5.0 * unit
        sideways = across[0] * (side or 1.0)
        point["anchor"] = "middle" if abs(sideways) < 0.5 else "start" if sideways > 0.0 else "end"
        before = point


class MapView:
    """The circuit with its corners' names, and beside it the chosen corner with its points."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._track = TrackMap(desk.reference, desk.corners, desk.marks)
        self._html = ui.html("", sanitize=False).classes("map-holder")

    def script_data(self) -> dict[str, Any]:
        """Return the line as [place, x, y] rows, for dragging along it."""
        reference = self.desk.reference
        if not self._track.known:
            return {"line": [], "length": reference.length_m, "closed": reference.closed}
        s = np.arange(0.0, reference.length_m, 2.0)
        x, y = self._track.xy(s)
        line = np.round(np.column_stack((s, x, y)), 1).tolist()
        return {"line": line, "length": reference.length_m, "closed": reference.closed}

    def draw(self, chosen: int) -> None:
        """Draw the map with the points of the corner ``chosen``."""
        if not self._track.known:
            self._html.content = "<p>This reference has no positions: there is no map.</p>"
            return
        corners = self.desk.corners
        self._track = TrackMap(self.desk.reference, corners, self.desk.marks)
        corner = corners[chosen]
        points = []
        places = handles(corner)
        for field, name, place in places:
            x, y = (float(v) for v in self._track.xy(place))
            low, high = self.desk.room_of(chosen, field)
            points.append({"field": field, "name": name, "place": place, "x": x, "y": y, "low": low, "high": high})
        first, last = places[0][2], max(corner.exit_m, corner.turn_in_m + 1.0)
        box = self._track.box(first - AROUND_M, last + AROUND_M)
        unit = box[2] / 420.0
        told_apart(points, self._track, corner.direction, unit)
        self._html.content = (
            environment()
            .get_template("editor_map.html")
            .render(
                map=self._track,
                arrow=self._track.arrow_at(first - 0.7 * AROUND_M, 11.0 * unit),
                labels=self._track.labels(),
                points=points,
                chosen=chosen,
                name=self.desk.names[chosen],
                box=box,
                unit=unit,
                near=self._track.line(first - 4 * AROUND_M, last + 4 * AROUND_M),
                band=self._track.line(corner.turn_in_m, last),
            )
        )


class TraceView:
    """The traces of the session's laps, or of the reference alone."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._traces = desk.traces() or _reference_alone(desk)
        options = trace_chart(self._traces, desk.corners, [{"name": "", "value": [0, 0]}])
        options["dataZoom"][0]["moveOnMouseMove"] = False
        self.chart = ui.echart(options, renderer="canvas").classes("trace-holder")
        self.channels = [s["id"] for s in options["series"] if str(s.get("id", "")).endswith(" 0")]

    def laps(self) -> list[tuple[int, bool]]:
        """Return the available laps, and whether each is shown."""
        return [(lap, lap in self._traces.shown) for lap in self._traces.laps]

    def show_lap(self, lap: int, on: bool) -> None:
        """Show or hide a lap."""
        self.chart.run_chart_method(
            "dispatchAction", {"type": "legendSelect" if on else "legendUnSelect", "name": lap_name(lap)}
        )

    def marks(self, chosen: int) -> list[dict[str, Any]]:
        """Return the points of the corner ``chosen`` on the speed of the reference."""
        out: list[dict[str, Any]] = []
        length = self.desk.reference.length_m
        for field, name, place in handles(self.desk.corners[chosen]):
            speed = float(self.desk.reference.at("speed_mps", place)) * KMH
            along = place % length if self.desk.reference.closed else place
            low, high = self.desk.room_of(chosen, field)
            mark = {"name": name, "value": [round(along, 1), round(speed, 1)], "field": field, "place": place}
            # JSON has no infinity
            mark |= {"low": max(low, -1e9), "high": min(high, 1e9)}
            # names of neighbours alternate above and below
            mark["label"] = {"position": "bottom" if len(out) % 2 else "top"}
            out.append(mark)
        return out

    def draw(self, chosen: int) -> None:
        """Move bands and points to the corners' current places."""
        where = bands(self.desk.corners)
        series: list[dict[str, Any]] = [{"id": i, "markArea": {"data": where}} for i in self.channels]
        lines = [{"xAxis": round(m.s_m, 1), "name": m.name} for m in self.desk.marks]
        marked = {"symbol": "none", "data": lines, "label": {"formatter": "{b}"}, "silent": True}
        series.append({"id": "places", "data": self.marks(chosen), "markLine": marked})
        self.chart.run_chart_method("setOption", {"series": series})

    def zoom(self, chosen: int) -> None:
        """Show the stretch of the corner ``chosen``."""
        corner = self.desk.corners[chosen]
        first = corner.brake_m if corner.brake_m == corner.brake_m else corner.turn_in_m
        low, high = max(first - 120.0, 0.0), corner.end_m + 120.0
        self.chart.run_chart_method("dispatchAction", {"type": "dataZoom", "startValue": low, "endValue": high})

    def whole(self) -> None:
        """Show the whole lap."""
        self.chart.run_chart_method("dispatchAction", {"type": "dataZoom", "start": 0, "end": 100})


def _reference_alone(desk: Desk) -> Traces:
    reference = desk.reference
    keep = np.arange(0, len(reference), max(1, len(reference) // 1400))
    zero = np.zeros(len(keep))
    channels = {
        "speed": reference.speed_mps[keep] * KMH,
        "delta": zero * np.nan,
        "brake": reference.brake[keep] * 100.0,
        "throttle": reference.throttle[keep] * 100.0,
        "offset": zero * np.nan,
    }
    return Traces(np.asarray(keep * reference.step_m, dtype=np.float64), channels, {})
